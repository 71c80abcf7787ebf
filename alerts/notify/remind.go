package notify

import (
	"context"
	"time"

	"ringwarden/fleet"
)

// reminding is a sink that wants to hear again and again of what stands.
type reminding interface {
	every() time.Duration
	remind(ctx context.Context, standing []fleet.Alarm) error
	// trouble reports whether the last reminder failed, and notes how this one went.
	trouble(err error) (before error)
}

// remind tells of what stands. What cannot be said now is said the next time.
func (w *worker) remind(ctx context.Context, r reminding) {
	var mine []fleet.Alarm
	for _, a := range w.desk.standing() {
		if !a.State.Active() {
			continue
		}
		for _, c := range w.plan.channels(&a) {
			if c == w.to {
				mine = append(mine, a)
			}
		}
	}
	trying, cancel := context.WithTimeout(ctx, tryTime)
	defer cancel()
	err := r.remind(trying, mine)
	if ctx.Err() != nil {
		return
	}
	switch before := r.trouble(err); {
	case err != nil && before == nil:
		w.desk.log.Warn("reminding of alarms that stand failed, and is tried again", "to", w.to.String(), "error", oneLine(err.Error()))
	case err == nil && before != nil:
		w.desk.log.Info("reminding of alarms that stand works again", "to", w.to.String())
	}
}
