package score

import (
	"time"

	"ringwarden/fleet"
)

// slowDown makes some units slow to show their stage, and lets some restart shortly before the trip, while it goes round, or after
// they have stopped.
func (w *world) slowDown() {
	s := w.s
	for i := 1; i < len(w.units); i++ {
		if w.rng.IntN(2) == 0 {
			w.units[i].lag = w.spread(s.Lag)
		}
		if w.rng.IntN(5) == 0 {
			w.plan(event{at: s.At - time.Minute + w.spread(4*time.Minute), what: reboots, unit: i})
		}
	}
}

// stop lets a unit that heard of a trip stop.
func (u *unit) stop(now time.Duration) {
	if u.stage != fleet.Fault {
		u.before, u.stopped = u.stage, now
	}
	u.stage = fleet.Fault
}

// shown is the stage that the unit shows.
func (u *unit) shown(now time.Duration) fleet.Stage {
	if u.stage == fleet.Fault && now < u.stopped+u.lag {
		return u.before
	}
	return u.stage
}
