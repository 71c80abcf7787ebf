package dashboard

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
)

// reportRing puts a ring's stages, calls and cables into words.
func (v *visit) reportRing(r *siteReport, w *ringReport) reportRingView {
	d := reportRingView{Name: w.ring.Name, Full: w.fullWords(r.span, false)}
	d.stages(r, w)
	d.calls(r, w)
	for i := range w.links {
		d.Links = append(d.Links, linkWords(w.ring, &w.links[i]))
	}
	if len(d.Links) == 0 {
		d.LinksSay = "A ring of one controller has no cable."
	}
	return d
}

// stages lists those stages that some controller was in.
func (d *reportRingView) stages(r *siteReport, w *ringReport) {
	var held []fleet.Stage
	for _, s := range fleet.Stages {
		if slices.ContainsFunc(w.units, func(u *unitReport) bool { return u.stages[s] > 0 }) {
			held = append(held, s)
			d.StageNames = append(d.StageNames, s.String())
		}
	}
	for _, u := range w.units {
		row := reportStageRow{Name: u.c.Name}
		for _, s := range held {
			row.Cells = append(row.Cells, stageHours(u.stages[s], u.staged))
		}
		unread := r.span.until.Sub(r.span.from) - u.staged
		if row.Unread = dash; unread > 6*time.Minute {
			row.Unread = fixed(unread.Hours(), 1) + "\u00a0h"
		}
		d.Stages = append(d.Stages, row)
	}
}

// calls sums up the calls and lists the newest.
func (d *reportRingView) calls(r *siteReport, w *ringReport) {
	names := map[string]string{}
	for i := range w.ring.Controllers {
		c := &w.ring.Controllers[i]
		names[c.ID.Slug()] = lineName(c)
	}
	name := func(slug string) string {
		if n := names[slug]; n != "" {
			return n
		}
		return slug // a controller that has gone from the fleet file
	}
	d.Calls = callsWords(w.calls, name)
	for i := len(w.calls) - 1; i >= 0 && len(d.CallRows) < mostCallRows; i-- {
		c := &w.calls[i]
		row := reportCallRow{At: c.at.In(r.site.Zone).Format("2 January, 15:04:05"), Stage: c.Stage, Starter: name(c.Starter), Missing: dash, Hop: hopWords(c.HopLow, c.HopHigh)}
		switch {
		case c.Sure < certainStarter:
			row.Starter = "not certain, perhaps " + row.Starter
		case c.Sure < 0.9:
			row.Starter += fmt.Sprintf(" (%.0f %% sure)", 100*c.Sure)
		}
		if c.Starts > 1 {
			row.Starter += " and " + counted(c.Starts-1, "other by itself", "others by themselves")
		}
		row.Followed = namesOf(c.Followed, name)
		if len(c.Missing) > 0 {
			row.Missing = namesOf(c.Missing, name)
		}
		d.CallRows = append(d.CallRows, row)
	}
	d.MoreCalls = len(w.calls) - len(d.CallRows)
}

func namesOf(slugs []string, name func(string) string) string {
	if len(slugs) == 0 {
		return "nobody"
	}
	all := make([]string, len(slugs))
	for i, s := range slugs {
		all[i] = name(s)
	}
	return joined(all)
}

// certainStarter is how probable it must be that a controller started a call before it is named as the starter.
const certainStarter = 0.5

// callsWords sums up all calls of a report.
func callsWords(calls []keptCall, name func(string) string) string {
	if len(calls) == 0 {
		return "No call to float or equalize is written down of this time."
	}
	count := map[string]int{}
	starters, certain, missing := map[string]int{}, 0, 0
	for i := range calls {
		count[calls[i].Stage]++
		if calls[i].Sure >= certainStarter {
			starters[calls[i].Starter]++
			certain++
		}
		if len(calls[i].Missing) > 0 {
			missing++
		}
	}
	var parts []string
	for _, s := range []fleet.Stage{fleet.Float, fleet.Equalize} {
		if n := count[s.String()]; n > 0 {
			parts = append(parts, counted(n, "call to "+s.String(), "calls to "+s.String()))
		}
	}
	line := sentence(joined(parts) + " went round")
	var by []string
	for slug := range starters {
		by = append(by, slug)
	}
	slices.SortFunc(by, func(a, b string) int {
		if d := starters[b] - starters[a]; d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	for i, slug := range by {
		by[i] = name(slug) + " (" + strconv.Itoa(starters[slug]) + ")"
	}
	switch {
	case certain == 0:
		by = nil
	case certain < len(calls):
		by = append(by, "somebody whom the polls were too slow to see ("+strconv.Itoa(len(calls)-certain)+")")
	}
	if len(by) > 0 {
		line += " Started by " + joined(by) + "."
	} else {
		line += " Who started is not certain: the polls are too slow to see it."
	}
	if missing == 0 {
		return line + " Everybody who could followed."
	}
	return line + " " + sentence(counted(missing, "of them was", "of them were")+" not followed by everybody who could")
}

// hopWords bounds the time for one hop.
func hopWords(low, high float64) string {
	switch {
	case high <= 0:
		return dash
	case low < 0.1:
		return "up to " + fixed(high, 1) + "\u00a0s"
	}
	return fixed(low, 1) + " to " + fixed(high, 1) + "\u00a0s"
}

// linkWords says what a cable carried. Bad frames now and then are normal; alarms say when they are too many.
func linkWords(ring *fleet.Ring, l *linkReport) reportLinkRow {
	row := reportLinkRow{
		Name: linkName(ring, l.link),
		Good: dash, Bad: dash, Share: dash, Alarms: "none",
	}
	switch {
	case l.counted && l.good+l.bad > 0:
		row.Good, row.Bad = grouped(l.good), grouped(l.bad)
		row.Share = percentWords(l.bad/(l.good+l.bad)) + " bad"
	case l.counted:
		row.Good, row.Bad, row.Share = "0", "0", "nothing arrived"
	case l.sampled > 0:
		row.Share = "heard " + percentWords(l.heard) + " of the time"
	default:
		row.Share = "not counted"
	}
	if l.alarms > 0 || l.stood > 0 {
		row.Alarms, row.Bold = strconv.Itoa(l.alarms)+", stood "+lasted(l.stood), true
	}
	return row
}

// whole reports whether a report is of some days of which most was read: only then does a rate by the day mean something.
func (r *siteReport) whole() bool {
	if r.span.until.Sub(r.span.from) < 2*24*time.Hour {
		return false
	}
	read := time.Duration(0)
	for i := range r.units {
		read += max(r.units[i].staged, r.units[i].covered)
	}
	return r.coverage(read) > 0.9
}

// grouped writes a count with thin spaces between thousands.
func grouped(n float64) string {
	s := fixed(n, 0)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// A reportAlarmsView is the alarms of a report.
type reportAlarmsView struct {
	Say      string
	Kinds    []reportKindRow
	Longest  []reportLongRow
	Standing []reportStandingRow
}

type reportKindRow struct{ Word, Raised, Stood, Priority string }

type reportLongRow struct{ Word, Where, From, To, Stood string }

type reportStandingRow struct{ Text, Since, Advice, Caution string }

func (v *visit) reportAlarmsView(r *siteReport) reportAlarmsView {
	p, zone := &r.measured, r.site.Zone
	d := reportAlarmsView{Say: "No alarm was raised, and none stood."}
	if p.Alarms > 0 || len(r.longest) > 0 {
		d.Say = sentence(counted(p.Alarms, "alarm was raised", "alarms were raised"))
		if r.whole() {
			d.Say += " " + sentence(fixed(24*p.PerHour, 1)+" a day")
		}
		if p.Floods > 0 {
			d.Say += " " + sentence(counted(p.Floods, "flood", "floods")+" of more than ten alarms in ten minutes took "+lasted(p.FloodTime))
		}
		if n := len(p.Chattering); n > 0 {
			d.Say += " " + sentence(counted(n, "came and went", "came and went")+" again and again")
		}
	}
	for _, k := range r.kinds {
		row := reportKindRow{alarmWord(k.kind), strconv.Itoa(k.raised), lasted(k.stood), k.priority.String()}
		if k.raised == 0 {
			row.Priority = dash
		}
		d.Kinds = append(d.Kinds, row)
	}
	for i := range r.longest {
		a := &r.longest[i]
		to := "still stood at the end"
		if !a.to.IsZero() {
			to = instantWords(a.to, zone)
		}
		d.Longest = append(d.Longest, reportLongRow{alarmWord(a.Kind), v.nameOf(a.Subject), instantWords(a.from, zone), to, lasted(a.stood)})
	}
	for i := range r.standing {
		a := &r.standing[i]
		d.Standing = append(d.Standing, reportStandingRow{sentence(v.withoutSite(a)), instantWords(a.Since, zone), a.Advice, a.Caution})
	}
	return d
}
