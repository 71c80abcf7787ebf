package dashboard

import (
	"fmt"
	"math"
	"net/url"
	"time"

	"ringwarden/fleet"
)

type controllerPage struct {
	Name, Site, SiteLink, About string
	First                       string
	Alarms                      []alarmView
	Groups                      []readingGroup
	Settings                    []settingRow
	Differ                      int // settings that differ
	Polls                       []fact
	Curve                       *curveView
}

type readingGroup struct {
	Name, Every string
	Rows        []readingRow
}

type readingRow struct {
	Name, About, Value, Age, Quality string
	Class                            string
	Curve                            string // address of its curve; empty: it has none
}

// A settingRow holds what a controller is set to against what the fleet file intends.
type settingRow struct {
	Name, Intended, Actual, Word string
	Differs                      bool
}

func (s *server) controllerPage(v *visit, id fleet.ControllerID) (*view, error) {
	site, ring, c := findController(v.plan, id)
	if c == nil {
		return nil, errNoPage
	}
	u := s.Live.look([]fleet.Controller{*c})[0]
	d := &controllerPage{
		Name: c.Name, Site: site.Name, SiteLink: "/sites/" + string(site.ID), About: controllerAbout(ring, c),
		First: controllerSentence(&u, v.now), Groups: v.readingGroups(&u), Polls: pollFacts(&u, v.now),
	}
	d.Alarms = v.alarmViews(activeAlarms(inside(v.alarm, fleet.Subject(id))))
	d.Settings = settingRows(&u)
	for _, row := range d.Settings {
		if row.Differs {
			d.Differ++
		}
	}
	if !v.parts {
		curve, err := s.curveView(v, site, &u)
		if err != nil {
			return nil, err
		}
		d.Curve = curve
	}
	return &view{Title: c.Name + ", " + site.Name, Name: "controller", Parts: []string{"first", "now"}, Data: d}, nil
}

func controllerAbout(ring *fleet.Ring, c *fleet.Controller) string {
	about := "a controller of the ring " + ring.Name
	if c.Source != fleet.Other {
		about += ", fed by " + sourceWord(c.Source)
	}
	if c.Rated > 0 {
		about += ", rated " + plainNumber(c.Rated/1000) + " kW"
	}
	return sentence(about)
}

// controllerSentence says what a controller does, or since when it has not said.
func controllerSentence(u *unit, now time.Time) string {
	if u.heard.IsZero() {
		if u.tried.IsZero() {
			return "It has not been asked yet."
		}
		return fmt.Sprintf("It has not answered yet; the last try was %s.", outcomeWord(u.outcome))
	}
	s, ok := u.stageNow(now)
	if !ok {
		return fmt.Sprintf("It last answered %s ago; what it does now is not known.", lasted(now.Sub(u.heard)))
	}
	text := "It is" + stagePhrase(s)
	if !u.entered.IsZero() {
		text += ", since " + clock(u.entered, now, u.zone)
	}
	if w, ok := u.fresh(fleet.OutputPower, now); ok {
		text += ", and gives the bank " + amount(w, fleet.Watt)
	}
	return sentence(text)
}

var outcomeWords = map[fleet.Outcome]string{
	fleet.Skipped:     "left out, since the poll before it was still under way",
	fleet.Answered:    "answered",
	fleet.Silent:      "not answered in time",
	fleet.Unreachable: "without a connection",
	fleet.Refused:     "refused by the device",
	fleet.Garbled:     "answered with something that is no answer",
}

func outcomeWord(o fleet.Outcome) string {
	if w := outcomeWords[o]; w != "" {
		return w
	}
	return o.String()
}

func (v *visit) readingGroups(u *unit) []readingGroup {
	var groups []readingGroup
	for _, g := range fleet.Groups {
		groups = append(groups, readingGroup{
			Name: map[fleet.Group]string{fleet.Fast: "Stage, ring and faults", fleet.Normal: "Measurements", fleet.Slow: "Settings and roles"}[g],
		})
	}
	all := u.readings()
	for i := range all {
		r := &all[i]
		for k, g := range fleet.Groups {
			if g == r.group {
				groups[k].Every = lasted(u.periods.Of(g))
				groups[k].Rows = append(groups[k].Rows, v.readingRow(u, r))
			}
		}
	}
	return groups
}

func (v *visit) readingRow(u *unit, r *reading) readingRow {
	row := readingRow{
		Name: label(r.point), About: r.point.Quantity.About(), Value: said(r), Age: lasted(v.now.Sub(r.at)), Quality: r.Quality.String(),
	}
	switch {
	case r.Quality == fleet.Good && u.old(r, v.now):
		row.Quality, row.Class = "old", "old"
	case r.Quality != fleet.Good:
		row.Class = "none"
	}
	if curved(r.point) {
		row.Curve = "?" + url.Values{"point": {r.point.Name}}.Encode() + "#curve"
	}
	return row
}

// curved reports whether a point's values make a curve.
func curved(p *fleet.Point) bool {
	return p.Form != fleet.FormText && len(p.Flags) == 0 && len(p.Names) == 0 && p.Quantity.Shape() == fleet.ShapeNumber
}

func pollFacts(u *unit, now time.Time) []fact {
	total := uint64(0)
	for _, n := range u.counts {
		total += n
	}
	facts := []fact{{"Polls since the start", fmt.Sprint(total), ""}}
	for _, o := range fleet.Outcomes {
		if n := u.counts[o]; n > 0 {
			about := outcomeWord(o)
			if about == o.String() {
				about = ""
			}
			facts = append(facts, fact{sentenceCase(o.String()), fmt.Sprintf("%d, %s", n, percentWords(float64(n)/float64(total))), about})
		}
	}
	if !u.heard.IsZero() {
		facts = append(facts,
			fact{"Last answer", ago(now.Sub(u.heard)), ""},
			fact{"It took", lasted(u.took), "from the first request to the end of the last answer"},
			fact{"Asked late by", lasted(u.late), "behind the grid of the poll period"})
	}
	return facts
}

// settingRows holds the fleet file's intentions against what the controller says. What the file does not say is
// shown and not judged.
func settingRows(u *unit) []settingRow {
	c := u.c.Intended
	var rows []settingRow
	number := func(name string, q fleet.Quantity, intended *float64) {
		row := settingRow{Name: name, Intended: "not said", Actual: dash}
		if intended != nil {
			row.Intended = amount(*intended, q.Unit())
		}
		if r, ok := u.of(q); ok && r.Quality == fleet.Good {
			row.Actual = said(&r)
			// Half of the smallest step that people set: what the register rounds is no difference.
			row.Differs = intended != nil && math.Abs(r.Number-*intended) > tolerance(q)
		}
		rows = append(rows, row.judged())
	}
	truth := func(name string, q fleet.Quantity, intended bool) {
		row := settingRow{Name: name, Intended: yesNo(intended), Actual: dash}
		if r, ok := u.of(q); ok && r.Quality == fleet.Good {
			row.Actual, row.Differs = yesNo(r.Number != 0), (r.Number != 0) != intended
		}
		rows = append(rows, row.judged())
	}
	var address *float64
	if c.RingAddress != nil {
		a := float64(*c.RingAddress)
		address = &a
	}
	number("Address in the ring", fleet.RingAddress, address)
	truth("Takes part in the ring", fleet.RingEnabled, true)
	truth("Has the battery temperature sensor", fleet.RoleTemperatureReference, c.TemperatureReference)
	truth("Has the ground-fault detector", fleet.RoleFaultDetector, c.FaultDetector)
	truth("Stops on a shared trip", fleet.RoleTrips, c.OnSharedFault == fleet.Trip)
	number("Absorption target", fleet.SetpointAbsorption, c.Setpoints.Absorption)
	number("Float target", fleet.SetpointFloat, c.Setpoints.Float)
	number("Equalize target", fleet.SetpointEqualize, c.Setpoints.Equalize)
	number("Change with temperature", fleet.SetpointTemperatureSlope, c.Setpoints.TemperatureSlope)
	return rows
}

func tolerance(q fleet.Quantity) float64 {
	switch q {
	case fleet.RingAddress:
		return 0.5
	case fleet.SetpointTemperatureSlope:
		return 0.00005
	}
	return 0.05 + 1e-9
}

func (r settingRow) judged() settingRow {
	switch {
	case r.Differs:
		r.Word = "differs"
	case r.Actual == dash:
		r.Word = "not read"
	case r.Intended == "not said":
		r.Word = "not said"
	default:
		r.Word = "as intended"
	}
	return r
}
