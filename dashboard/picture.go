package dashboard

import (
	"html/template"
	"slices"
	"strings"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

// Pictures are drawn twice, for a phone and for a desk; the style sheet shows one of them.
const (
	narrow = 340
	wide   = 1180
)

// A dayView is a site's day in pictures on one time axis.
type dayView struct {
	Date                string
	Power, Volts, Strip template.HTML
	HasPower, HasVolts  bool
}

// drawDay draws the day of all controllers of a site so far.
func drawDay(site *fleet.Site, units []unit, now time.Time) dayView {
	from := midnight(now, site.Zone)
	to := midnight(from.Add(36*time.Hour), site.Zone)
	d := dayView{Date: now.In(site.Zone).Format("Monday, 2 January")}
	var power []draw.Series
	for i := range units {
		p := daySeries(&units[i], from, now)
		d.HasPower = d.HasPower || len(p.Points) > 0
		power = append(power, p)
	}
	d.Power = draw.Both(narrow, wide, func(width int, ending string) template.HTML {
		return draw.Chart{
			ID: "power" + ending, Title: "Power by source today", Desc: "Charging power of each controller, one upon the other, in steps of five minutes.",
			From: from, To: to, Now: now, Zone: site.Zone, Width: width, Height: 230, Unit: "W", Lines: power, Stack: true, Bare: true,
		}.SVG()
	})
	bank := bankSeries(units, from, now)
	d.HasVolts = len(bank.Points) > 0
	d.Volts = draw.Both(narrow, wide, func(width int, ending string) template.HTML {
		return draw.Chart{
			ID: "volts" + ending, Title: "Bank voltage today", Desc: "The middle of what the controllers measure, in steps of five minutes.",
			From: from, To: to, Now: now, Zone: site.Zone, Width: width, Height: 150, Unit: "V", Lines: []draw.Series{bank}, Bare: true,
		}.SVG()
	})
	d.Strip = draw.Both(narrow, wide, func(width int, ending string) template.HTML {
		return draw.Strip{
			ID: "stages" + ending, Title: "Stages today", Desc: "In which stage each controller was.",
			From: from, To: to, Now: now, Zone: site.Zone, Width: width, Rows: stripRows(units, from), Key: true,
		}.SVG()
	})
	return d
}

// daySeries returns the mean power of a day's buckets, at their middles.
func daySeries(u *unit, from, now time.Time) draw.Series {
	s := draw.Series{Name: u.c.Name, Unit: "W", Every: bucketTime}
	if !u.day.start.Equal(from) {
		return s
	}
	for i := range u.day.buckets {
		at := from.Add(time.Duration(i)*bucketTime + bucketTime/2)
		if at.After(now.Add(bucketTime)) {
			break
		}
		if v, ok := u.day.buckets[i].power.value(); ok {
			s.Points = append(s.Points, draw.Point{At: at, Value: max(v, 0)}) // a stack has no room below nothing
		}
	}
	return s
}

// bankSeries returns the middle of what the controllers measure at their terminals.
func bankSeries(units []unit, from, now time.Time) draw.Series {
	s := draw.Series{Unit: "V", Every: bucketTime}
	for i := 0; ; i++ {
		at := from.Add(time.Duration(i)*bucketTime + bucketTime/2)
		if at.After(now.Add(bucketTime)) {
			return s
		}
		var all []float64
		for k := range units {
			d := &units[k].day
			if !d.start.Equal(from) || i >= len(d.buckets) {
				continue
			}
			if v, ok := d.buckets[i].volts.value(); ok {
				all = append(all, v)
			}
		}
		if len(all) > 0 {
			s.Points = append(s.Points, draw.Point{At: at, Value: middle(all)})
		}
	}
}

func stripRows(units []unit, from time.Time) []draw.StripRow {
	rows := make([]draw.StripRow, len(units))
	for i := range units {
		u := &units[i]
		rows[i] = draw.StripRow{ID: string(u.c.ID), Name: u.c.Name, Href: "/controllers/" + string(u.c.ID)}
		if !u.day.start.Equal(from) {
			continue
		}
		for _, span := range u.day.spans {
			rows[i].Spans = append(rows[i].Spans, draw.StageSpan{From: span.from, To: span.to, Stage: span.stage})
		}
	}
	return rows
}

// drawRing draws a ring with what is known of its controllers and cables.
func drawRing(ring *fleet.Ring, units []unit, links []linkRow, standing []fleet.Alarm, call *draw.RingCall,
	now time.Time, id string,
) template.HTML {
	r := draw.Ring{Title: "The ring " + ring.Name, Open: ring.Open, Call: call}
	for i := range units {
		r.Controllers = append(r.Controllers, ringUnit(&units[i], standing, now))
	}
	for i := range links {
		r.Links = append(r.Links, ringLink(&links[i]))
	}
	t := totals(units, now)
	r.Bank = []string{t.volts, t.power, t.today + " today"}
	return draw.Both(narrow, 640, func(width int, ending string) template.HTML {
		r.ID, r.Width = id+ending, width
		return r.SVG()
	})
}

func ringUnit(u *unit, standing []fleet.Alarm, now time.Time) draw.RingUnit {
	w := draw.RingUnit{ID: string(u.c.ID), Name: u.c.Name, Href: "/controllers/" + string(u.c.ID)}
	stage, known := u.stageNow(now)
	w.Stage = stage
	if p, ok := u.fresh(fleet.OutputPower, now); ok {
		w.Number = amount(p, fleet.Watt)
	}
	if !known {
		w.State, w.Note = draw.Silent, stageWord(u, now)
	}
	if a := worst(standing, fleet.Subject(u.c.ID)); a != nil {
		w.State, w.Note = draw.StateOf(a.Priority), pictureWord(a.Kind)
	} else if anyOutOfService(standing, fleet.Subject(u.c.ID)) {
		w.State, w.Note = draw.Aside, "out of service"
	}
	return w
}

// alarmWord says a kind of alarm in words.
func alarmWord(k fleet.Kind) string { return strings.ReplaceAll(string(k), "-", " ") }

// pictureWords say what is the matter with a controller in the few letters that a picture has room for.
var pictureWords = map[fleet.Kind]string{
	"stage-split":         "did not follow",
	"fault-trip":          "ground fault",
	"trip-not-shared":     "did not stop",
	"turbine-unloaded":    "turbine unloaded",
	"temperature-split":   "other temperature",
	"temperature-default": "fallback temperature",
	"temperature-stuck":   "sensor stands still",
	"settings-differ":     "set otherwise",
	"ring-address-clash":  "address doubled",
	"bank-voltage-split":  "other voltage",
	"lead-resistance":     "lead or lug",
	"equalize-overlong":   "equalizes for long",
	"absorption-brief":    "absorbed too briefly",
	"yield-behind":        "gives too little",
	"controller-silent":   "no answer",
	"registers-frozen":    "answer stands still",
	"map-mismatch":        "map does not fit",
}

func pictureWord(k fleet.Kind) string {
	if w := pictureWords[k]; w != "" {
		return w
	}
	return alarmWord(k)
}

func anyOutOfService(standing []fleet.Alarm, on fleet.Subject) bool {
	return slices.ContainsFunc(standing, func(a fleet.Alarm) bool { return a.State == fleet.OutOfService && on.Inside(a.Subject) })
}

func ringLink(row *linkRow) draw.RingLink {
	return draw.RingLink{ID: row.ID, Href: "#" + row.Element, Health: row.health, Word: row.short}
}
