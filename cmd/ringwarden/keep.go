package main

import (
	"context"
	"log/slog"
	"time"

	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
)

// keepEvery is how often what is too old is dropped: a day's readings at a time, so often enough to catch up.
const keepEvery = 10 * time.Minute

// A keeper drops what need not be kept any more, and tells the road of damage.
type keeper struct {
	journal *store.Store
	road    *road.Road
	aside   string // where a damaged store was moved to when the daemon started; empty: there was none
	now     func() time.Time
	log     *slog.Logger
	damaged uint64    // records that were reported
	over    bool      // that the file is above its ceiling was said
	swept   time.Time // when rollups were looked through last
}

// sweepEvery is how often old rollups are looked for: that costs a commit each time, and they lie by the day.
const sweepEvery = 24 * time.Hour

// run keeps to limits until ctx is done; limits yields others after a reload. It returns early, with an error, once the
// store cannot be written to any more because of damage.
func (k *keeper) run(ctx context.Context, keep fleet.Keep, limits <-chan fleet.Keep) error {
	ticker, look := time.NewTicker(keepEvery), time.NewTicker(lookEvery)
	defer ticker.Stop()
	defer look.Stop()
	for {
		k.once(ctx, keep)
		for waiting := true; waiting; {
			waiting = false
			select {
			case <-ctx.Done():
				return nil
			case keep = <-limits:
			case <-ticker.C:
			case <-look.C:
				if err := k.journal.Broken(); err != nil {
					return err
				}
				waiting = k.journal.Damaged() == k.damaged
			}
		}
	}
}

// lookEvery is how soon damage that a reader met is reported.
const lookEvery = time.Second

func (k *keeper) once(ctx context.Context, keep fleet.Keep) {
	k.damaged = k.journal.Damaged()
	reportDamage(k.road, k.journal, k.aside)
	now := k.now()
	limits := store.Limits{Raw: keep.Raw, Ceiling: keep.Ceiling}
	if now.Sub(k.swept).Abs() >= sweepEvery {
		limits.FiveMinutes, limits.Coarse, k.swept = keep.FiveMinutes, keep.Hours, now
	}
	d, err := k.journal.Retain(ctx, now, limits)
	switch {
	case ctx.Err() != nil:
		return
	case err != nil:
		k.log.Warn("what is too old could not be dropped; it is tried again", "error", err)
	case d.Records > 0:
		k.log.Debug("what was too old, or beyond the ceiling, was dropped", "records", d.Records)
	}
	if over := d.Over > 0; err == nil && over != k.over {
		k.over = over
		if over {
			k.log.Warn("the store is larger than its ceiling and does not shrink by itself; ringwarden store compact makes it smaller",
				"ceiling", fleet.Size(keep.Ceiling), "over", fleet.Size(d.Over))
		}
	}
}
