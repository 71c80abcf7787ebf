package poller

import (
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// knownDead is after how many polls in a row without an answer a unit counts as dead: it is asked rarely and briefly
// from then on. Common practice, no source; two lost answers in a row are ordinary on a bad radio link.
const knownDead = 3

// A unit is one device behind a connection.
type unit struct {
	dev   Device
	slots []*slot

	fails   int           // polls in a row that got no answer
	failed  time.Time     // when the last of them ended
	retry   time.Time     // left alone until then
	last    fleet.Outcome // of the last poll that was tried
	skipped int           // instants skipped since the unit last kept up
	inTime  int           // polls in a row without a skipped instant before them
}

// A slot is one poll group of a unit, and when it falls due next.
type slot struct {
	unit     *unit
	group    fleet.Group
	period   time.Duration
	next     time.Time // the instant on the grid that has had no frame yet
	plan     *registermap.Plan
	values   []fleet.Value // used again for each frame
	refusals int           // polls in a row that were refused altogether
	refused  bool          // the device refused every address last time, so do not search again for what it has
}

// newUnit returns the unit of a device. Where it was known before, it keeps its grid, and as much of what was learned
// as is still true.
func newUnit(d Device, periods fleet.Periods, now time.Time, old *unit) *unit {
	u := &unit{dev: d}
	same := old != nil && old.dev.Unit == d.Unit && old.dev.Map == d.Map
	if same {
		*u = *old
		u.dev, u.slots = d, nil
	}
	for _, g := range fleet.Groups {
		plan, period := d.Map.Plan(g), periods.Of(g)
		if plan == nil || period <= 0 {
			continue
		}
		s := &slot{period: period, group: g, plan: plan, next: gridAfter(now, period, d.Phase)}
		if o := old.slot(g); o != nil {
			if same {
				s.plan, s.values, s.refused = o.plan, o.values, o.refused
			}
			if o.period == period && old.dev.Phase == d.Phase {
				s.next = o.next
			}
		}
		if s.values == nil {
			s.values = make([]fleet.Value, len(plan.Layout.Points))
		}
		s.unit = u
		u.slots = append(u.slots, s)
	}
	return u
}

// slot returns the unit's slot of a group, nil if it has none.
func (u *unit) slot(g fleet.Group) *slot {
	if u == nil {
		return nil
	}
	for _, s := range u.slots {
		if s.group == g {
			return s
		}
	}
	return nil
}

// leave reports whether the poll that fell due at an instant is not to be tried: the unit is being left alone, or it
// has failed since that instant and would only fail again.
func (u *unit) leave(at, now time.Time) bool {
	return u.fails > 0 && (now.Before(u.retry) || !at.After(u.failed))
}

// ended takes note of how a poll of the unit ended, and returns how many before it had failed in a row.
func (u *unit) ended(o fleet.Outcome, now time.Time, b Backoff) (fails int) {
	fails, u.last = u.fails, o
	switch o {
	case fleet.Silent, fleet.Garbled:
		u.fails++
		u.failed = now
		if u.fails >= knownDead {
			u.retry = now.Add(b.wait(u.fails - knownDead + 1))
		}
	case fleet.Answered, fleet.Refused:
		u.fails = 0
	}
	return fails
}

// timeout returns how long to wait for the unit's answers. Where a dead unit has neighbours that wait, most tries are
// short; every fourth is not, for a unit that has come back but is slow.
func (u *unit) timeout(full time.Duration, neighbours bool) time.Duration {
	if !neighbours || u.fails < knownDead || u.fails%4 == 2 {
		return full
	}
	return max(full/4, min(full, 100*time.Millisecond))
}

// missed reports whether not only the next instant but also the one after it has passed.
func (s *slot) missed(now time.Time) bool { return !s.next.Add(s.period).After(now) }

// rank orders slots that are due, lowest first: what costs nothing, what has missed an instant and might else never
// have its turn, then fast before normal before slow, and units that have failed at the end.
func (s *slot) rank(now time.Time) int {
	switch {
	case s.unit.leave(s.next, now):
		return 0
	case s.missed(now):
		return 1
	case s.unit.fails > 0:
		return 5
	case s.group == fleet.Fast:
		return 2
	case s.group == fleet.Normal:
		return 3
	}
	return 4
}

// pick returns the slot to serve now, nil if none is due, and the earliest instant at which one falls due.
func pick(slots []*slot, now time.Time) (best *slot, earliest time.Time) {
	var rank int
	for _, s := range slots {
		if earliest.IsZero() || s.next.Before(earliest) {
			earliest = s.next
		}
		if s.next.After(now) {
			continue
		}
		if r := s.rank(now); best == nil || r < rank || r == rank && s.next.Before(best.next) {
			best, rank = s, r
		}
	}
	return best, earliest
}
