package dashboard

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A reportPage is a report as a page shows it.
type reportPage struct {
	Title, Site, SiteLink string
	Span, Made            string
	Earlier, Later        string // addresses of the months beside it; empty: there is none to look at
	Month, From, To       string // as the fields have them
	JSON                  string
	First                 []string // sentences
	Empty                 bool
	Energy                []reportEnergyRow
	EnergyTotal           reportEnergyRow
	Counters              bool // some controller has a counter of its own
	Columns               template.HTML
	ColumnsOf             string
	Rings                 []reportRingView
	Alarms                reportAlarmsView
	Missing               []string
	Settings              []reportSettings
	Notes                 []reportNote
	MoreNotes             int
}

type reportEnergyRow struct{ Name, Source, Energy, Counter, Yield, Rated, Covered string }

type reportRingView struct {
	Name, Full string
	Stages     []reportStageRow
	StageNames []string
	Calls      string
	CallRows   []reportCallRow
	MoreCalls  int
	Links      []reportLinkRow
	LinksSay   string
}

type reportStageRow struct {
	Name   string
	Cells  []string
	Unread string
}

type reportCallRow struct{ At, Stage, Starter, Followed, Missing, Hop string }

type reportLinkRow struct {
	Name, Good, Bad, Share, Alarms string
	Bold                           bool
}

type reportSettings struct {
	Name, Read string
	Differ     int
	Rows       []settingRow
}

type reportNote struct{ At, Where, Who, Text string }

// mostCallRows is how many calls a report lists; the sentence above them is of all.
const mostCallRows = 40

// reports is the list of the sites' reports.
func (s *server) reports(v *visit) (*view, error) {
	type row struct{ Name, Link, Before, BeforeName, ThisName string }
	var rows []row
	for i := range v.plan.Sites {
		site := &v.plan.Sites[i]
		now := v.now.In(site.Zone)
		first := time.Date(now.Year(), now.Month(), 1, 12, 0, 0, 0, site.Zone)
		before := first.AddDate(0, -1, 0)
		link := "/reports/" + string(site.ID)
		rows = append(rows, row{site.Name, link, link + "?month=" + before.Format(monthForm), before.Format("January 2006"), first.Format("January 2006")})
	}
	return &view{Title: "Reports", Name: "reports", Data: rows}, nil
}

func (s *server) reportPage(v *visit, id fleet.SiteID) (*view, error) {
	site := findSite(v.plan, id)
	if site == nil {
		return nil, errNoPage
	}
	span, err := reportSpanOf(v.query, v.now, site.Zone)
	if err != nil {
		return nil, err
	}
	r, err := s.report(v, site, span)
	if err != nil {
		return nil, err
	}
	d := v.reportView(r)
	return &view{Title: d.Title + ", " + site.Name, Name: "report", Data: d}, nil
}

func (v *visit) reportView(r *siteReport) *reportPage {
	zone, span := r.site.Zone, r.span
	d := &reportPage{
		Site: r.site.Name, SiteLink: "/sites/" + string(r.site.ID), Made: r.at.In(zone).Format("2 January 2006, 15:04 MST"),
		Span: instantWords(span.from, zone) + " to " + instantWords(span.until, zone) + ", by the clock of the site",
		From: span.from.In(zone).Format(fieldTime), To: span.until.In(zone).Format(fieldTime),
		Month: span.from.In(zone).Format(monthForm),
	}
	d.head(r)
	if d.Empty {
		return d
	}
	d.energy(r)
	for i := range r.rings {
		d.Rings = append(d.Rings, v.reportRing(r, &r.rings[i]))
	}
	d.Alarms = v.reportAlarmsView(r)
	d.Missing = missingWords(r)
	if span.settings {
		d.settings(r)
	}
	for i := len(r.notes) - 1; i >= 0; i-- {
		n := &r.notes[i]
		where := r.site.Name
		if n.Subject != "" {
			where = v.nameOf(n.Subject)
		}
		d.Notes = append(d.Notes, reportNote{instantWords(n.At, zone), where, n.Who, n.Text})
	}
	d.MoreNotes = r.more
	return d
}

func instantWords(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("2 January 2006, 15:04")
}

// head says what the report is of and what there is beside it, and puts it into sentences.
func (d *reportPage) head(r *siteReport) {
	span, zone := r.span, r.site.Zone
	base := "/reports/" + string(r.site.ID) + "?"
	q := url.Values{}
	switch {
	case span.month != "":
		first := span.from.Add(12 * time.Hour).In(zone)
		d.Title = "Report of " + first.Format("January 2006")
		d.Earlier = base + "month=" + first.AddDate(0, -1, 0).Format(monthForm)
		if span.to.Before(r.at) {
			d.Later = base + "month=" + first.AddDate(0, 1, 0).Format(monthForm)
		}
		q.Set("month", span.month)
	default:
		d.Title = "Report"
		q.Set("from", span.from.UTC().Format(time.RFC3339))
		q.Set("to", span.to.UTC().Format(time.RFC3339))
	}
	if span.settings {
		d.Title = "Commissioning report"
		q.Set("settings", "1")
	}
	d.JSON = "/api/v1/reports/" + string(r.site.ID) + "?" + q.Encode()
	d.First, d.Empty = reportSentences(r)
}

// reportSentences say in a few sentences what an owner wants to know.
func reportSentences(r *siteReport) ([]string, bool) {
	joules, covered, known := 0.0, time.Duration(0), false
	for i := range r.units {
		joules, covered = joules+r.units[i].joules, covered+max(r.units[i].covered, r.units[i].staged)
		known = known || r.units[i].powerIsRead || r.units[i].staged > 0
	}
	if !known {
		if r.span.from.After(r.at) {
			return []string{"This time is still to come."}, true
		}
		return []string{"Nothing is stored of this time."}, true
	}
	lines := []string{"The sources gave the bank " + energy(joules) + "."}
	for i := range r.rings {
		lines = append(lines, r.rings[i].fullWords(r.span, len(r.rings) > 1))
	}
	switch raised := r.measured.Alarms; {
	case raised == 0 && len(r.standing) == 0:
		lines = append(lines, "No alarm was raised.")
	default:
		line := sentence(counted(raised, "alarm was raised", "alarms were raised"))
		if n := len(r.standing); n > 0 {
			line += " " + sentence(counted(n, "stands", "stand")+" now")
		}
		lines = append(lines, line)
	}
	share := r.coverage(covered)
	line := "Readings cover " + percentWords(share) + " of the time."
	if share < 0.995 {
		line += " What is missing is not guessed, so the energy is at least this much."
	}
	return append(lines, line), false
}

// coverage returns which share of the time was read, as a mean of all controllers.
func (r *siteReport) coverage(covered time.Duration) float64 {
	whole := r.span.until.Sub(r.span.from) * time.Duration(max(1, len(r.units)))
	return min(1, covered.Seconds()/math.Max(1, whole.Seconds()))
}

// percentWords rounds so that only a whole is called one: 99.97 % is not 100 %.
func percentWords(share float64) string {
	percent := 100 * share
	switch {
	case share > 0 && percent < 0.1:
		return "less than 0.1 %"
	case percent < 100 && percent > 99.9:
		return "more than 99.9 %"
	case percent >= 99.95 || percent == math.Trunc(percent):
		return fixed(percent, 0) + " %"
	}
	return fixed(percent, 1) + " %"
}

// fullWords says on which days the bank was full; named tells the bank from those of other rings.
func (w *ringReport) fullWords(span reportSpan, named bool) string {
	bank := "The bank"
	if named {
		bank = "The bank of " + fleet.Line(w.ring.Name, string(w.ring.ID))
	}
	switch n := len(w.fullDays); {
	case w.days == 0:
		return bank + ": too little is known to say whether it was full."
	case n == 1 && span.until.Sub(span.from) <= 24*time.Hour:
		return bank + " was full."
	case n == 0 && span.until.Sub(span.from) <= 24*time.Hour:
		return bank + " was not full."
	case n == 1 && w.days == 1:
		return bank + " was full on the only day that is known, " + w.fullDays[0].Format("2 January") + "."
	case n == 0:
		return bank + " was not full on any of the " + counted(w.days, "day", "days") + " that are known."
	case n == w.days:
		return bank + " was full on each of the " + counted(w.days, "day", "days") + " that are known."
	default:
		line := fmt.Sprintf("%s was full on %d of the %s that are known, the last time on %s", bank, n, counted(w.days, "day", "days"), w.fullDays[n-1].Format("2 January"))
		if w.unfull > 1 {
			line += "; at most " + counted(w.unfull, "day", "days") + " in a row it was not"
		}
		return line + "."
	}
}

func (d *reportPage) energy(r *siteReport) {
	total := reportEnergyRow{Name: "Together", Yield: dash, Rated: dash, Counter: dash}
	joules, rated, counter, complete, all := 0.0, 0.0, 0.0, true, true
	for i := range r.units {
		u := &r.units[i]
		row := reportEnergyRow{Name: u.c.Name, Source: sourceWord(u.c.Source), Energy: dash, Counter: dash, Yield: dash, Rated: dash, Covered: percentWords(u.share(r, u.covered))}
		if u.powerIsRead {
			row.Energy = energy(u.joules)
			joules += u.joules
		}
		if u.counted {
			row.Counter, d.Counters = energy(u.counter), true
			counter += u.counter
		}
		if u.c.Rated > 0 {
			row.Rated = plainNumber(u.c.Rated/1000) + " kW"
			if u.powerIsRead {
				row.Yield = fixed(u.joules/3600/u.c.Rated, 2)
			}
		}
		rated, complete, all = rated+u.c.Rated, complete && u.c.Rated > 0, all && u.counted
		d.Energy = append(d.Energy, row)
	}
	total.Energy = energy(joules)
	if all {
		total.Counter = energy(counter)
	}
	if complete && rated > 0 {
		total.Rated, total.Yield = plainNumber(rated/1000)+" kW", fixed(joules/3600/rated, 2)
	}
	d.EnergyTotal = total
	d.columns(r)
}

// share returns which part of a report's time something covers.
func (u *unitReport) share(r *siteReport, covered time.Duration) float64 {
	return min(1, covered.Seconds()/math.Max(1, r.span.until.Sub(r.span.from).Seconds()))
}

// missingWords say what is not covered; controllers of which the same is to be said stand together.
func missingWords(r *siteReport) []string {
	var order []string
	of := map[string][]string{}
	say := func(u *unitReport, what string) {
		if of[what] == nil {
			order = append(order, what)
		}
		of[what] = append(of[what], lineName(u.c))
	}
	for i := range r.units {
		u := &r.units[i]
		share := u.share(r, max(u.staged, u.covered))
		switch {
		case share == 0:
			say(u, "nothing was read.")
		case share < 0.995:
			gone := time.Duration((1 - share) * float64(r.span.until.Sub(r.span.from)))
			say(u, percentWords(share)+" of the time was read; "+lasted(gone)+" are missing.")
		}
		if share > 0 && !u.powerIsRead {
			say(u, "the register map has no output.power, so the energy is not known.")
		}
	}
	lines := make([]string, 0, len(order))
	for _, what := range order {
		who := joined(of[what])
		if n := len(of[what]); n > 1 && n == len(r.units) {
			who = sentenceCase(allOf(n))
			who = strings.TrimSuffix(who, " are")
		}
		lines = append(lines, who+": "+what)
	}
	return lines
}

func (d *reportPage) settings(r *siteReport) {
	for i := range r.units {
		u := &r.units[i]
		s := reportSettings{Name: u.c.Name, Read: "never read", Rows: u.settings}
		if !u.settingsOf.IsZero() {
			s.Read = "as read on " + instantWords(u.settingsOf, r.site.Zone)
		}
		for _, row := range s.Rows {
			if row.Differs {
				s.Differ++
			}
		}
		d.Settings = append(d.Settings, s)
	}
}

// stageHours says how long a stage was held, and which share of what was read.
func stageHours(held, staged time.Duration) string {
	if held <= 0 || staged <= 0 {
		return dash
	}
	hours := fixed(held.Hours(), 1) + "\u00a0h"
	if held < 6*time.Minute {
		hours = strings.ReplaceAll(lasted(held), " ", "\u00a0")
	}
	return hours + " (" + strings.ReplaceAll(percentWords(float64(held)/float64(staged)), " ", "\u00a0") + ")"
}
