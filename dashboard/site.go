package dashboard

import (
	"html/template"
	"strconv"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

type sitePage struct {
	Name    string
	Verdict verdict
	Alarms  []alarmView
	More    int // alarms beyond those
	Facts   []fact
	Rings   []ringView
	Day     dayView
	Energy  []energyRow
	Total   energyRow
	At      string
	Demo    bool
	Report  string // address of the report of the month
}

// A fact is a name and a value.
type fact struct{ Name, Value, Note string }

// A ringView is one ring of a site.
type ringView struct {
	ID, Name, About string
	Picture         template.HTML
	Call            string // that was seen lately, in words
	Units           []unitRow
	Links           []linkRow
	Demo            bool
	Back            string
}

// A unitRow is one controller of a ring, in a line.
type unitRow struct {
	Name, Link, Source, Stage, Power, Volts, Heard string
	Class                                          string // of the style sheet: "" while all is well
}

// A linkRow is one cable of a ring.
type linkRow struct {
	ID, Element, Name, Word, Counts, Class string
	Pulled                                 bool
	health                                 draw.Health
	short                                  string // for the picture; empty: the health's own word
}

type energyRow struct {
	Name, Source, Rated, Today, Yield, Coverage string
}

// mostAlarms is how many alarms a site's page shows before it points to the page of alarms.
const mostAlarms = 3

func (s *server) sitePage(v *visit, id fleet.SiteID) (*view, error) {
	site := findSite(v.plan, id)
	if site == nil {
		return nil, errNoPage
	}
	standing := inside(v.alarm, fleet.Subject(id))
	active := activeAlarms(standing)
	d := &sitePage{Name: site.Name, At: clock(v.now, v.now, site.Zone), Demo: s.Cables != nil, Report: "/reports/" + string(id)}
	d.Alarms = v.alarmViews(active[:min(len(active), mostAlarms)])
	d.More = len(active) - len(d.Alarms)
	var all []unit
	for r := range site.Rings {
		ring := &site.Rings[r]
		units := s.Live.look(ring.Controllers)
		all = append(all, units...)
		d.Rings = append(d.Rings, s.ringView(v, ring, units, standing, r))
	}
	d.Verdict = judgeSite(site, all, standing, v.now)
	d.Facts = siteFacts(all, v.now, site.Zone)
	d.Energy, d.Total = energyRows(all, v.now)
	d.Day = drawDay(site, all, v.now)
	return &view{Title: site.Name, Name: "site", Parts: []string{"first", "now", "day"}, Data: d}, nil
}

func siteFacts(units []unit, now time.Time, zone *time.Location) []fact {
	t := totals(units, now)
	facts := []fact{{"Bank", t.volts, ""}, {"Charging with", t.power, ""}, {"Energy today", t.today, ""}}
	for i := range units {
		if c, ok := units[i].fresh(fleet.BatteryTemperature, now); ok && units[i].c.Intended.TemperatureReference {
			facts = append(facts, fact{"Battery temperature", amount(c, fleet.Celsius), ""})
			break
		}
	}
	if !t.full.IsZero() {
		facts = append(facts, fact{"Last full", clock(t.full, now, zone), ""})
	}
	return facts
}

func (s *server) ringView(v *visit, ring *fleet.Ring, units []unit, standing []fleet.Alarm, index int) ringView {
	w := ringView{ID: string(ring.ID), Name: ring.Name, About: ringAbout(ring), Demo: s.Cables != nil, Back: v.path}
	pulled := map[fleet.LinkID]bool{}
	if s.Cables != nil {
		pulled = s.Cables.Pulled()
	}
	for i := range units {
		w.Units = append(w.Units, unitLine(&units[i], standing, v.now))
	}
	for i, l := range ring.Links() {
		row := linkLine(l, ring, units, standing, v.now)
		row.Pulled, row.Element = pulled[l.ID], "cable-"+strconv.Itoa(index)+"-"+strconv.Itoa(i)
		w.Links = append(w.Links, row)
	}
	call := recentCall(ring, units, v.now)
	w.Call = call.say(ring, v.now, units)
	w.Picture = drawRing(ring, units, w.Links, standing, call.picture(), v.now, "ring-"+strconv.Itoa(index))
	return w
}

func ringAbout(r *fleet.Ring) string {
	about := counted(len(r.Controllers), "controller", "controllers")
	if r.Bank.Nominal > 0 {
		about += " on a bank of " + plainNumber(r.Bank.Nominal) + " V"
		if r.Bank.Capacity > 0 {
			about += ", " + plainNumber(r.Bank.Capacity/3600) + " Ah"
		}
	}
	if r.Open {
		about += "; the ring is open by intention"
	}
	return sentence(about)
}

// worst returns the most urgent active alarm on a subject.
func worst(standing []fleet.Alarm, on fleet.Subject) *fleet.Alarm {
	var found *fleet.Alarm
	for i := range standing {
		a := &standing[i]
		if a.Subject == on && a.State.Active() && (found == nil || fleet.ByUrgency(*a, *found) < 0) {
			found = a
		}
	}
	return found
}

func unitLine(u *unit, standing []fleet.Alarm, now time.Time) unitRow {
	row := unitRow{
		Name: u.c.Name, Link: "/controllers/" + string(u.c.ID), Source: sourceWord(u.c.Source),
		Stage: stageWord(u, now), Power: dash, Volts: dash, Heard: "not yet",
	}
	if w, ok := u.fresh(fleet.OutputPower, now); ok {
		row.Power = amount(w, fleet.Watt)
	}
	if x, ok := u.fresh(fleet.BatteryVoltage, now); ok {
		row.Volts = amount(x, fleet.Volt)
	}
	if !u.heard.IsZero() {
		row.Heard = ago(now.Sub(u.heard))
	}
	if a := worst(standing, fleet.Subject(u.c.ID)); a != nil {
		row.Class = a.Priority.String()
	}
	return row
}

// stageWord returns what a controller does, or why that is not known.
func stageWord(u *unit, now time.Time) string {
	if s, ok := u.stageNow(now); ok {
		return s.String()
	}
	switch {
	case u.tried.IsZero():
		return "not asked yet"
	case u.outcome != fleet.Answered:
		return u.outcome.String()
	}
	return "not known"
}

// linkLine says in words and numbers how a cable does. What arrives counts at the receiver, so a silent receiver says
// nothing about its cable.
func linkLine(l fleet.Link, ring *fleet.Ring, units []unit, standing []fleet.Alarm, now time.Time) linkRow {
	row := linkRow{ID: string(l.ID), Name: linkName(ring, l)}
	row.count(&units[l.To], now)
	a := worst(standing, fleet.Subject(l.ID))
	if a == nil {
		return row
	}
	row.Class = a.Priority.String()
	switch a.Kind {
	case "link-down":
		row.Word, row.health, row.short = "nothing arrives", draw.LinkDown, ""
	case "link-noisy":
		row.Word, row.health, row.short = "damaged frames arrive", draw.LinkNoisy, ""
	default:
		row.Word, row.short = alarmWord(a.Kind), alarmWord(a.Kind)
	}
	return row
}

// count says what a cable's receiver has counted in its last polls.
func (row *linkRow) count(to *unit, now time.Time) {
	good, bad, over := to.link.sum()
	heard, flagged := to.of(fleet.LinkOK)
	switch {
	case to.heard.IsZero() || to.outcome != fleet.Answered:
		row.Word, row.Counts = "not known", "its receiver is not answering"
	case over > 0 && now.Sub(to.link.at) <= stalePeriods*to.periods.Fast+over:
		row.Counts = plainNumber(good) + " good and " + plainNumber(bad) + " bad frames in " + lasted(over)
		row.Word, row.health = "carries", draw.LinkGood
		if good+bad > 0 {
			row.short = "good, " + fixed(100*bad/(good+bad), 1) + " % bad"
		}
		if last, lastBad, _ := to.link.last(); last+lastBad == 0 {
			row.Word, row.health, row.short = "nothing arrived just now", draw.LinkUnknown, "nothing just now"
		}
	case flagged && heard.Quality == fleet.Good && !to.old(&heard, now):
		row.Word, row.Counts, row.health = "carries", "its receiver hears the sender", draw.LinkGood
		if heard.Number == 0 {
			row.Word, row.Counts, row.health, row.short = "not heard just now", "its receiver does not hear the sender", draw.LinkUnknown, "not heard"
		}
	default:
		row.Word, row.Counts = "not counted", "its receiver has not counted frames yet"
	}
}

// energyRows lists what each source gave today and its final yield: kilowatt hours for each kilowatt of rated power
// (IEC 61724-1), so that sources of different size can be compared.
func energyRows(units []unit, now time.Time) ([]energyRow, energyRow) {
	var rows []energyRow
	total := energyRow{Name: "Together", Today: dash, Yield: dash, Rated: dash}
	joules, rated, complete := 0.0, 0.0, true
	for i := range units {
		u := &units[i]
		row := energyRow{Name: u.c.Name, Source: sourceWord(u.c.Source), Rated: dash, Today: dash, Yield: dash, Coverage: dash}
		if u.c.Rated > 0 {
			row.Rated = plainNumber(u.c.Rated/1000) + " kW"
		}
		rated, complete = rated+u.c.Rated, complete && u.c.Rated > 0
		if u.day.covered > 0 && now.Before(u.day.end) {
			row.Today = energy(u.day.joules)
			row.Coverage = lasted(u.day.covered) + " of " + lasted(now.Sub(u.day.start))
			joules += u.day.joules
			total.Today = energy(joules)
			if u.c.Rated > 0 {
				row.Yield = yield(u.day.joules, u.c.Rated)
			}
		}
		rows = append(rows, row)
	}
	if complete && rated > 0 && total.Today != dash {
		total.Rated, total.Yield = plainNumber(rated/1000)+" kW", yield(joules, rated)
	}
	return rows, total
}

func yield(joules, rated float64) string {
	return fixed(joules/3.6e6/(rated/1000), 2) + "\u00a0kWh/kW"
}
