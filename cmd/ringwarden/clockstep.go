package main

import (
	"context"
	"log/slog"
	"time"

	"ringwarden/alerts"
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

// toldFor is how long after a step of the clock it may still be told: as long as a rule may ask for.
const toldFor = 7 * 24 * time.Hour

// recallSteps tells the engine of the steps of the clock that are stored: a daemon before this one saw them, or Open did.
func recallSteps(ctx context.Context, engine *alerts.Engine, journal *store.Store, now time.Time) error {
	for step, err := range journal.ClockSteps(ctx, now.Add(-toldFor), now.Add(time.Second)) {
		if err != nil {
			return err
		}
		engine.StepClock(step.Before, step.After, step.Moved > 0)
	}
	return nil
}

// stepClock moves what was read under the clock from before, in the road and in the store. It runs where frames are
// committed, so that none is on its way between the two, and is not stopped half way.
func stepClock(ctx context.Context, r *road.Road, journal *store.Store, log *slog.Logger, before, after time.Time) {
	moves := journal.StepMoves(before, after)
	if moves {
		r.StepClock(before, after)
	}
	r.TellStep(before, after, moves)
	moved, err := journal.StepClock(context.WithoutCancel(ctx), before, after)
	if err != nil {
		log.Error("the clock was stepped; what is stored keeps the times of the clock from before", "from", before, "to", after, "error", err)
		return
	}
	log.Warn("the clock was stepped", "from", before, "to", after, "frames_moved", moved)
}
