package dashboard

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// What is made of readings for one report is the same for all readers within five minutes. The day that is not over has
// no rollups yet, so making them anew for each reader would cost more than all the rest.
type readingsKey struct {
	site            *fleet.Site // of the fleet as it was last read
	from, to, until int64
}

// reportReadings are the parts of a report that come from readings. They do not change once they are made.
type reportReadings struct {
	units []unitReport
	rings []ringReport
}

type readingsCache struct {
	mu   sync.Mutex // guards made
	made map[readingsKey]*reportReadings
}

func (s *server) reportReadings(ctx context.Context, site *fleet.Site, span reportSpan) (*reportReadings, error) {
	key := readingsKey{site, span.from.UnixNano(), span.to.UnixNano(), span.until.UnixNano()}
	c := &s.reported
	c.mu.Lock()
	r := c.made[key]
	c.mu.Unlock()
	if r != nil {
		return r, nil
	}
	r, err := s.readReadings(ctx, site, span)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.made == nil || len(c.made) >= reportsKept {
		c.made = map[readingsKey]*reportReadings{}
	}
	c.made[key] = r
	return r, nil
}

func (s *server) readReadings(ctx context.Context, site *fleet.Site, span reportSpan) (*reportReadings, error) {
	r := &reportReadings{}
	for i := range site.Rings {
		for _, u := range s.Live.look(site.Rings[i].Controllers) {
			w, err := s.unitReport(ctx, &u, span)
			if err != nil {
				return nil, fmt.Errorf("reading what is stored of %s: %w", u.c.ID, err)
			}
			r.units = append(r.units, w)
		}
	}
	next := 0
	for i := range site.Rings {
		ring := &site.Rings[i]
		w := ringReport{ring: ring}
		for range ring.Controllers {
			w.units = append(w.units, &r.units[next])
			next++
		}
		w.countFull(site.Zone)
		if err := s.linkReports(ctx, &w, span); err != nil {
			return nil, fmt.Errorf("reading what is stored of the cables of %s: %w", ring.ID, err)
		}
		r.rings = append(r.rings, w)
	}
	return r, nil
}

// stored returns what a controller last answered: as the pages have it, or where it has not answered since the daemon
// began, as it is stored.
func (s *server) stored(ctx context.Context, u *unit) error {
	if s.Journal == nil {
		return nil
	}
	frames, err := s.Journal.Latest(ctx, u.c.ID)
	for i := range frames {
		f := &frames[i]
		if g := &u.groups[min(int(f.Group), len(u.groups)-1)]; g.layout == nil {
			g.at, g.layout, g.values = f.At, f.Layout, f.Values
		}
	}
	return err
}

func (s *server) unitReport(ctx context.Context, u *unit, span reportSpan) (unitReport, error) {
	w := unitReport{c: u.c}
	if s.Journal == nil {
		return w, nil
	}
	if err := s.stored(ctx, u); err != nil {
		return w, err
	}
	err := s.eachRollup(ctx, u, fleet.OutputPower, span, func(b *store.Rollup) {
		w.powerIsRead = true
		if b.Covered > 0 {
			w.joules, w.covered = w.joules+b.Total, w.covered+b.Covered
			w.buckets = append(w.buckets, energyBucket{b.Start, b.Total})
		}
	})
	if err != nil {
		return w, err
	}
	err = s.eachRollup(ctx, u, fleet.EnergyLifetime, span, func(b *store.Rollup) { w.counter, w.counted = w.counter+b.Total, true })
	if err != nil {
		return w, err
	}
	err = s.eachRollup(ctx, u, fleet.QuantityStage, span, func(b *store.Rollup) {
		f := floatBucket{start: b.Start, end: b.End, covered: b.Covered}
		for i, held := range b.Stages {
			w.stages[i] += held
			w.staged += held
		}
		f.float = b.Stages[fleet.Float] > 0
		w.float = append(w.float, f)
	})
	w.settings = settingRows(u)
	w.settingsOf = u.groups[fleet.Slow].at
	return w, err
}

// eachRollup calls each for every rollup of a quantity in a span. What a controller does not have has none.
func (s *server) eachRollup(ctx context.Context, u *unit, q fleet.Quantity, span reportSpan, each func(*store.Rollup)) error {
	point := u.point(q)
	if point == "" {
		return nil
	}
	for b, err := range s.Journal.Rollups(ctx, u.c.ID, point, span.step, span.from, span.until) {
		if err != nil {
			return err
		}
		each(&b)
	}
	return nil
}

// countFull finds the days on which some controller was in float, which is when the bank was full, and the longest run
// of days without. A day counts as one without only if half of it is known.
func (w *ringReport) countFull(zone *time.Location) {
	type known struct {
		full    bool
		covered time.Duration // of the controller that is known best
	}
	days := map[time.Time]*known{}
	for _, u := range w.units {
		covered := map[time.Time]time.Duration{}
		for _, b := range u.float {
			day := midnight(b.start, zone)
			d := days[day]
			if d == nil {
				d = &known{}
				days[day] = d
			}
			d.full = d.full || b.float
			covered[day] += b.covered
			d.covered = max(d.covered, covered[day])
		}
	}
	var order []time.Time
	for day := range days {
		order = append(order, day)
	}
	slices.SortFunc(order, time.Time.Compare)
	without := 0
	for _, day := range order {
		switch d := days[day]; {
		case d.full:
			w.fullDays = append(w.fullDays, day)
			w.days++
			without = 0
		case d.covered >= time.Duration(fullDayCovered*24*float64(time.Hour)):
			w.days++
			without++
			w.unfull = max(w.unfull, without)
		}
	}
}

func (s *server) linkReports(ctx context.Context, w *ringReport, span reportSpan) error {
	looks := s.Live.look(w.ring.Controllers)
	for _, l := range w.ring.Links() {
		r := linkReport{link: l}
		to := &looks[l.To]
		if s.Journal == nil {
			w.links = append(w.links, r)
			continue
		}
		if err := s.stored(ctx, to); err != nil {
			return err
		}
		if err := s.eachRollup(ctx, to, fleet.LinkGood, span, func(b *store.Rollup) { r.good, r.counted = r.good+b.Total, true }); err != nil {
			return err
		}
		if err := s.eachRollup(ctx, to, fleet.LinkBad, span, func(b *store.Rollup) { r.bad, r.counted = r.bad+b.Total, true }); err != nil {
			return err
		}
		if !r.counted {
			sum := 0.0
			err := s.eachRollup(ctx, to, fleet.LinkOK, span, func(b *store.Rollup) {
				sum, r.sampled = sum+b.Mean*float64(b.Count), r.sampled+b.Count
			})
			if err != nil {
				return err
			}
			r.heard = sum / math.Max(1, float64(r.sampled))
		}
		w.links = append(w.links, r)
	}
	return nil
}
