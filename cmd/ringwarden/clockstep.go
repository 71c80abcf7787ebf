package main

import (
	"context"
	"log/slog"
	"time"

	"ringwarden/cmd/ringwarden/road"
	"ringwarden/store"
)

// clockTolerance is how far the clock may go astray between two looks, in which it is only being drawn to the right time.
const clockTolerance = 2 * time.Second

// A clockWatch notices when the machine's clock is stepped: the wall clock and the steady one no longer agree.
type clockWatch struct {
	wall   time.Time
	steady time.Duration
}

// look compares the clocks since the last look: before is what the wall clock would say had it run on.
func (c *clockWatch) look(wall time.Time, steady time.Duration) (before time.Time, stepped bool) {
	last := *c
	c.wall, c.steady = wall.Round(0), steady
	if last.wall.IsZero() {
		return c.wall, false
	}
	before = last.wall.Add(steady - last.steady)
	return before, c.wall.Sub(before).Abs() > clockTolerance
}

// stepClock moves what was read under the clock from before, in the road and in the store. It runs where frames are
// committed, so that none is on its way between the two.
func stepClock(ctx context.Context, r *road.Road, journal *store.Store, log *slog.Logger, before, after time.Time) {
	if journal.StepMoves(before, after) {
		r.StepClock(before, after)
	}
	moved, err := journal.StepClock(ctx, before, after)
	if err != nil {
		log.Error("the clock was stepped; what is stored keeps the times of the clock from before", "from", before, "to", after, "error", err)
		return
	}
	log.Warn("the clock was stepped", "from", before, "to", after, "frames_moved", moved)
}
