package dashboard

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

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
	var units []unit
	for i := range site.Rings {
		units = append(units, s.Live.look(site.Rings[i].Controllers)...)
	}
	r := &reportReadings{units: make([]unitReport, len(units))}
	rolled := make([]rolledUp, len(units))
	group, inGroup := errgroup.WithContext(ctx)
	group.SetLimit(readersOfReport)
	for i := range units {
		group.Go(func() error {
			var err error
			if rolled[i], err = s.rollups(inGroup, &units[i], span); err != nil {
				return fmt.Errorf("reading what is stored of %s: %w", units[i].c.ID, err)
			}
			r.units[i] = unitReportOf(&units[i], rolled[i])
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	next := 0
	for i := range site.Rings {
		ring := &site.Rings[i]
		w := ringReport{ring: ring}
		first := next
		for range ring.Controllers {
			w.units = append(w.units, &r.units[next])
			next++
		}
		w.countFull(site.Zone)
		for _, l := range ring.Links() {
			w.links = append(w.links, linkReportOf(l, rolled[first+l.To]))
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

// readersOfReport is how many controllers are read at once: more would take all of a small computer from the polling.
const readersOfReport = 2

// reportQuantities are what a report reads of a controller.
var reportQuantities = [...]fleet.Quantity{
	fleet.OutputPower, fleet.EnergyLifetime, fleet.QuantityStage, fleet.LinkGood, fleet.LinkBad, fleet.LinkOK,
}

// A rolledUp is the rollups of a controller in a span. What it does not have has none.
type rolledUp map[fleet.Quantity][]store.Rollup

// rollups reads what a report needs of a controller, in one go: of the day that is not over the raw readings are gone
// over once, and not once for each point.
func (s *server) rollups(ctx context.Context, u *unit, span reportSpan) (rolledUp, error) {
	if s.Journal == nil {
		return nil, nil
	}
	if err := s.stored(ctx, u); err != nil {
		return nil, err
	}
	var of []fleet.Quantity
	var points []string
	for _, q := range reportQuantities {
		if point := u.point(q); point != "" {
			of, points = append(of, q), append(points, point)
		}
	}
	read, err := s.Journal.RollupsOf(ctx, u.c.ID, points, span.step, span.from, span.until)
	rolled := make(rolledUp, len(read))
	for i := range read {
		rolled[of[i]] = read[i]
	}
	return rolled, err
}

func unitReportOf(u *unit, read rolledUp) unitReport {
	w := unitReport{c: u.c}
	if read == nil {
		return w
	}
	for _, b := range read[fleet.OutputPower] {
		w.powerIsRead = true
		if b.Covered > 0 {
			w.joules, w.covered = w.joules+b.Total, w.covered+b.Covered
			w.buckets = append(w.buckets, energyBucket{b.Start, b.Total})
		}
	}
	for _, b := range read[fleet.EnergyLifetime] {
		w.counter, w.counted = w.counter+b.Total, true
	}
	for _, b := range read[fleet.QuantityStage] {
		f := floatBucket{start: b.Start, end: b.End, covered: b.Covered}
		for i, held := range b.Stages {
			w.stages[i] += held
			w.staged += held
		}
		f.float = b.Stages[fleet.Float] > 0
		w.float = append(w.float, f)
	}
	w.settings = settingRows(u)
	w.settingsOf = u.groups[fleet.Slow].at
	return w
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

// linkReportOf says what a cable carried, by what was read of its receiver.
func linkReportOf(l fleet.Link, read rolledUp) linkReport {
	r := linkReport{link: l}
	for _, b := range read[fleet.LinkGood] {
		r.good, r.counted = r.good+b.Total, true
	}
	for _, b := range read[fleet.LinkBad] {
		r.bad, r.counted = r.bad+b.Total, true
	}
	if r.counted || read == nil {
		return r
	}
	sum := 0.0
	for _, b := range read[fleet.LinkOK] {
		sum, r.sampled = sum+b.Mean*float64(b.Count), r.sampled+b.Count
	}
	r.heard = sum / math.Max(1, float64(r.sampled))
	return r
}
