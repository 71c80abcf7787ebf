package dashboard

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// stalePeriods is how many periods of its poll group a value may be old before the pages call it old.
const stalePeriods = 3

// A unit is what is known of one controller.
type unit struct {
	c       *fleet.Controller
	heardOf *uint64 // frames of its site; guarded as the rest is
	zone    *time.Location
	periods fleet.Periods
	groups  [3]group      // by fleet.Group: the newest values
	heard   time.Time     // the newest answer
	tried   time.Time     // the newest poll
	outcome fleet.Outcome // of the newest poll
	took    time.Duration // of the newest answer
	late    time.Duration // of the newest answer
	counts  [6]uint64     // polls by fleet.Outcome
	link    window        // frames from the upstream neighbour
	full    time.Time     // when it last went to float
	stage   fleet.Stage   // the newest
	staged  time.Time     // when that was
	entered time.Time     // when that stage was first seen; zero: it is the first one seen
	left    time.Time     // when the stage before it was last seen
	day     day
}

// A group holds the newest values of one poll group.
type group struct {
	at     time.Time
	layout *fleet.Layout
	values []fleet.Value
}

// A reading is one value with its point and instant.
type reading struct {
	fleet.Value
	point *fleet.Point
	at    time.Time
	group fleet.Group
}

func (u *unit) put(f *fleet.Frame) {
	if int(f.Outcome) < len(u.counts) {
		u.counts[f.Outcome]++
	}
	if f.At.After(u.tried) && f.Outcome != fleet.Skipped {
		u.tried, u.outcome = f.At, f.Outcome
	}
	g := &u.groups[min(int(f.Group), len(u.groups)-1)]
	if f.Outcome != fleet.Answered || f.Layout == nil || !f.At.After(g.at) {
		return
	}
	g.at, g.layout, g.values = f.At, f.Layout, append(g.values[:0], f.Values...)
	if f.At.After(u.heard) {
		u.heard, u.took, u.late = f.At, f.Took, f.Late
	}
	u.link.put(f)
	if s, ok := f.Stage(); ok {
		if s != u.stage && u.stage != fleet.StageUnknown {
			u.entered, u.left = f.At, u.staged
			if s == fleet.Float {
				u.full = f.At
			}
		}
		u.stage, u.staged = s, f.At
	}
	u.day.put(f, u.zone, u.periods)
}

// clone returns a copy that shares nothing that changes.
func (u *unit) clone() unit {
	c := *u
	for i := range c.groups {
		c.groups[i].values = slices.Clone(c.groups[i].values)
	}
	c.day.buckets, c.day.spans = slices.Clone(c.day.buckets), slices.Clone(c.day.spans)
	return c
}

// readings returns every value, in the order of the groups and of the map.
func (u *unit) readings() []reading {
	var all []reading
	for _, g := range fleet.Groups {
		have := &u.groups[g]
		for i := range have.values {
			all = append(all, reading{have.values[i], &have.layout.Points[i], have.at, g})
		}
	}
	return all
}

// of returns the newest reading of a quantity.
func (u *unit) of(q fleet.Quantity) (reading, bool) {
	for g := range u.groups {
		have := &u.groups[g]
		if have.layout == nil {
			continue
		}
		if i, ok := have.layout.Index(q); ok && i < len(have.values) {
			return reading{have.values[i], &have.layout.Points[i], have.at, fleet.Group(g)}, true
		}
	}
	return reading{}, false
}

// fresh returns the number of a quantity if it is good and not old.
func (u *unit) fresh(q fleet.Quantity, now time.Time) (float64, bool) {
	r, ok := u.of(q)
	if !ok || r.Quality != fleet.Good || u.old(&r, now) {
		return 0, false
	}
	return r.Number, true
}

// old reports whether a reading is older than a few of its periods.
func (u *unit) old(r *reading, now time.Time) bool {
	return now.Sub(r.at) > stalePeriods*u.periods.Of(r.group)
}

// stageNow returns the stage if it is good and not old.
func (u *unit) stageNow(now time.Time) (fleet.Stage, bool) {
	n, ok := u.fresh(fleet.QuantityStage, now)
	return fleet.Stage(n), ok
}

// point returns the name of the point that has a quantity.
func (u *unit) point(q fleet.Quantity) string {
	if r, ok := u.of(q); ok {
		return r.point.Name
	}
	return ""
}
