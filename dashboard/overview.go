package dashboard

import (
	"cmp"
	"html/template"
	"slices"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

type overviewPage struct {
	First string
	Rows  []siteRow
}

// A siteRow is one site of the overview.
type siteRow struct {
	Name, Link, Level, Word string
	Mark                    template.HTML
	First, Alarm            string
	More                    int // alarms besides the first
	Volts, Power, Today     string
	Full, Heard             string
	rank                    int
	age                     time.Duration
}

// overview shows all sites, worst first.
func (s *server) overview(v *visit) (*view, error) {
	d := &overviewPage{}
	need := 0
	for i := range v.plan.Sites {
		row := s.siteRow(v, &v.plan.Sites[i])
		if row.rank > 0 {
			need++
		}
		d.Rows = append(d.Rows, row)
	}
	slices.SortStableFunc(d.Rows, func(a, b siteRow) int {
		return cmp.Or(cmp.Compare(b.rank, a.rank), cmp.Compare(b.age, a.age), cmp.Compare(a.Name, b.Name))
	})
	switch {
	case len(d.Rows) == 0:
		d.First = "No site is being watched."
	case need == 0:
		d.First = "No site needs anybody today."
	case need == 1:
		d.First = sentence("one of " + counted(len(d.Rows), "site", "sites") + " needs somebody")
	default:
		d.First = sentence(numeral(need) + " of " + counted(len(d.Rows), "site", "sites") + " need somebody")
	}
	return &view{Title: "Sites", Name: "overview", Parts: []string{"now"}, Data: d}, nil
}

func (s *server) siteRow(v *visit, site *fleet.Site) siteRow {
	var controllers []fleet.Controller
	for r := range site.Rings {
		controllers = append(controllers, site.Rings[r].Controllers...)
	}
	units := s.Live.glance(controllers)
	standing := inside(v.alarm, fleet.Subject(site.ID))
	says := judgeSite(site, units, standing, v.now)
	active := activeAlarms(standing)
	row := siteRow{Name: site.Name, Link: "/sites/" + string(site.ID), Level: says.Level, First: says.First, Mark: draw.Mark(draw.Calm, 18), Word: "normal"}
	switch {
	case len(active) > 0:
		row.rank, row.age = 2+int(active[0].Priority), v.now.Sub(active[0].Since)
		row.Alarm, row.More, row.Word = sentence(v.withoutSite(&active[0])), len(active)-1, active[0].Priority.String()
		row.Mark = draw.Mark(draw.StateOf(active[0].Priority), 18)
	case says.Level == "unknown":
		row.rank, row.Word, row.Mark = 1, "not heard", draw.Mark(draw.Silent, 18)
	}
	t := totals(units, v.now)
	row.Volts, row.Power, row.Today = t.volts, t.power, t.today
	row.Full, row.Heard = dash, dash
	if !t.full.IsZero() {
		row.Full = clock(t.full, v.now, site.Zone)
	}
	if !t.heard.IsZero() {
		row.Heard = ago(v.now.Sub(t.heard))
	}
	return row
}

// A summing is what several controllers make together.
type summing struct {
	volts, power, today string
	watts, joules       float64
	full, heard         time.Time
}

func totals(units []unit, now time.Time) summing {
	t := summing{volts: dash, power: dash, today: dash}
	var volts []float64
	powered, counted := false, false
	for i := range units {
		u := &units[i]
		if v, ok := u.fresh(fleet.BatteryVoltage, now); ok {
			volts = append(volts, v)
		}
		if w, ok := u.fresh(fleet.OutputPower, now); ok {
			t.watts, powered = t.watts+w, true
		}
		if u.day.covered > 0 && now.Before(u.day.end) {
			t.joules, counted = t.joules+u.day.joules, true
		}
		t.full, t.heard = later(t.full, u.full), later(t.heard, u.heard)
	}
	if len(volts) > 0 {
		t.volts = amount(middle(volts), fleet.Volt)
	}
	if powered {
		t.power = amount(t.watts, fleet.Watt)
	}
	if counted {
		t.today = energy(t.joules)
	}
	return t
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// middle returns the median of some numbers, which it sorts.
func middle(all []float64) float64 {
	slices.Sort(all)
	n := len(all)
	if n%2 == 1 {
		return all[n/2]
	}
	return (all[n/2-1] + all[n/2]) / 2
}
