package main

import (
	"context"
	"log/slog"
	"time"

	"ringwarden/cmd/ringwarden/road"
	"ringwarden/store"
)

// boot returns the start of the machine by whose clock a daemon's frames are stamped; none where they go by another clock.
func (d *daemon) boot() store.Boot {
	if d.time != (pace{}) {
		return store.Boot{}
	}
	return store.ThisBoot()
}

// stepClock moves what was read under the clock from before, in the road and in the store. It runs where frames are
// committed, so that none is on its way between the two, and is not stopped half way.
func stepClock(ctx context.Context, r *road.Road, journal *store.Store, log *slog.Logger, before, after time.Time) {
	if journal.StepMoves(before, after) {
		r.StepClock(before, after)
	}
	moved, err := journal.StepClock(context.WithoutCancel(ctx), before, after)
	if err != nil {
		log.Error("the clock was stepped; what is stored keeps the times of the clock from before", "from", before, "to", after, "error", err)
		return
	}
	log.Warn("the clock was stepped", "from", before, "to", after, "frames_moved", moved)
}
