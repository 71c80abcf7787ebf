package dashboard

import (
	"context"
	"math"
	"slices"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
	"ringwarden/store"
)

// heatDays is how many days a heat map shows, and heatEvery how old it may be.
const (
	heatDays  = 14
	heatEvery = 10 * time.Minute
)

// heatLimit is the share of bad frames, in percent, from which an hour is abnormal: the share by which the alarm for noisy
// cables goes unless its rules say otherwise.
const heatLimit = 5

// linkPoints are the points by which a controller says what arrives over the cable into it; empty: it has none.
type linkPoints struct{ good, bad, ok, age string }

func pointsOf(l *fleet.Layout, p linkPoints) linkPoints {
	for _, q := range []struct {
		of   fleet.Quantity
		name *string
	}{{fleet.LinkGood, &p.good}, {fleet.LinkBad, &p.bad}, {fleet.LinkOK, &p.ok}, {fleet.LinkAge, &p.age}} {
		if i, found := l.Index(q.of); found {
			*q.name = l.Points[i].Name
		}
	}
	return p
}

// notePoints remembers which points tell of links.
func (st *study) notePoints(f *fleet.Frame) {
	if f.Layout == nil {
		return
	}
	if st.points == nil {
		st.points = map[fleet.ControllerID]linkPoints{}
	}
	before := st.points[f.Controller]
	if p := pointsOf(f.Layout, before); p != before {
		st.points[f.Controller] = p
	}
}

// A heatMap is a cable's share of bad frames by day and hour, or the longest wait for one where nothing else is known.
type heatMap struct {
	days  []draw.HeatDay
	unit  string
	limit float64
	what  string
}

// A heatStudy keeps heat maps, and makes the newest two days of them anew.
type heatStudy struct {
	maps map[fleet.LinkID]*heatMap // never changes: the next one is another
	made time.Time
}

func (h *heatStudy) update(ctx context.Context, s *Studies, st *study, now time.Time) {
	if !h.made.IsZero() && now.Sub(h.made) < heatEvery {
		return
	}
	maps := map[fleet.LinkID]*heatMap{}
	for _, l := range st.ring.Links() {
		m, err := heatOf(ctx, s.journal, st, l, h.maps[l.ID], now)
		if err != nil {
			return // what is there stays, and is tried again
		}
		maps[l.ID] = m
	}
	h.maps, h.made = maps, now
}

// heatOf makes a cable's map, with the days of the one before that are over.
func heatOf(ctx context.Context, journal *store.Store, st *study, l fleet.Link, before *heatMap, now time.Time) (*heatMap, error) {
	to := st.ring.Controllers[l.To].ID
	p := st.points[to]
	m := &heatMap{unit: "%", limit: heatLimit}
	zone := st.site.Zone
	from := midnight(now, zone)
	for i := range heatDays {
		day := midnight(from.Add(-time.Duration(heatDays-1-i)*24*time.Hour+12*time.Hour), zone).In(zone)
		m.days = append(m.days, draw.HeatDay{Day: day, Hours: noHours()})
	}
	since := m.days[0].Day
	if before != nil && len(before.days) == heatDays {
		since = m.keep(before, m.days[heatDays-2].Day)
	}
	hours, err := readHours(ctx, journal, to, p, since, now)
	if err != nil {
		return nil, err
	}
	switch {
	case p.good != "":
		m.what = "Share of the frames that arrived damaged. An hour in which nothing arrived counts as all bad, be it the cable or the sender."
	case p.ok != "":
		m.what = "Share of the samples in which the sender was not heard."
	case p.age != "":
		m.unit, m.limit, m.what = "s", 0, "Longest wait for a frame."
	}
	for i := range m.days {
		d := &m.days[i]
		for hour := range d.Hours {
			if v, ok := hours[hourKey{d.Day.YearDay(), hour}]; ok {
				d.Hours[hour] = v.value(p)
			}
		}
	}
	return m, nil
}

// shown returns the days from the first one on that has data, and two at least.
func (m *heatMap) shown() []draw.HeatDay {
	first := 0
	for first < len(m.days)-2 && !slices.ContainsFunc(m.days[first].Hours[:], func(v float64) bool { return !math.IsNaN(v) }) {
		first++
	}
	return m.days[first:]
}

// keep takes over those days that were over when the map before was made, and returns the first one that it does not.
func (m *heatMap) keep(before *heatMap, until time.Time) time.Time {
	for i := range m.days {
		day := m.days[i].Day
		if !day.Before(until) {
			return day
		}
		known := false
		for k := range before.days {
			if before.days[k].Day.Equal(day) {
				m.days[i].Hours, known = before.days[k].Hours, true
			}
		}
		if !known {
			return day
		}
	}
	return until
}

func noHours() (h [24]float64) {
	for i := range h {
		h[i] = math.NaN()
	}
	return h
}

// An hourKey is an hour of a local day of the year: fourteen days have no day twice.
type hourKey struct{ day, hour int }

// An hourSum is what came in an hour.
type hourSum struct {
	good, bad float64
	heard, n  float64 // samples
	longest   float64
	covered   time.Duration
}

// leastCover is how much of an hour must have been read for its silence to mean something.
const leastCover = 10 * time.Minute

func (h *hourSum) value(p linkPoints) float64 {
	switch {
	case p.good != "" && h.good+h.bad > 0:
		return 100 * h.bad / (h.good + h.bad)
	case p.good != "" && h.covered >= leastCover:
		return 100
	case p.good == "" && p.ok != "" && h.n > 0:
		return 100 * (1 - h.heard/h.n)
	case p.good == "" && p.ok == "" && p.age != "" && h.n > 0:
		return h.longest
	}
	return math.NaN()
}

// readHours adds up the hours of what a controller counts, from the store's rollups.
func readHours(ctx context.Context, journal *store.Store, id fleet.ControllerID, p linkPoints, from, to time.Time) (map[hourKey]*hourSum, error) {
	hours := map[hourKey]*hourSum{}
	zone := from.Location()
	each := func(point string, file func(*hourSum, *store.Rollup)) error {
		if point == "" {
			return nil
		}
		for r, err := range journal.Rollups(ctx, id, point, store.Hour, from, to) {
			if err != nil {
				return err
			}
			at := r.Start.In(zone)
			k := hourKey{at.YearDay(), at.Hour()}
			if hours[k] == nil {
				hours[k] = &hourSum{}
			}
			file(hours[k], &r)
		}
		return nil
	}
	if p.good != "" || p.bad != "" {
		if err := each(p.good, func(h *hourSum, r *store.Rollup) { h.good += r.Total; h.covered += r.Covered }); err != nil {
			return nil, err
		}
		return hours, each(p.bad, func(h *hourSum, r *store.Rollup) { h.bad += r.Total })
	}
	if p.ok != "" {
		return hours, each(p.ok, func(h *hourSum, r *store.Rollup) {
			h.n, h.heard = h.n+float64(r.Count), h.heard+r.Mean*float64(r.Count)
		})
	}
	return hours, each(p.age, func(h *hourSum, r *store.Rollup) {
		if r.Count > 0 {
			h.n, h.longest = h.n+float64(r.Count), max(h.longest, r.Max)
		}
	})
}
