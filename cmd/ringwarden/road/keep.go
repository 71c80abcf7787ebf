package road

import (
	"cmp"
	"context"
	"errors"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/store"
)

// Report tells the judge of a condition of the program's own store.
func (r *Road) Report(kind fleet.Kind, holds bool, why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.judge.Report(kind, holds, why)
}

func (r *Road) keepChanges(ctx context.Context) {
	left, err := give(ctx, r.changes, r.journal.PutChanges, func(c *fleet.Change, err error) {
		r.log.Error("a change of an alarm was dropped, since it can never be stored", "kind", string(c.Alarm.Kind), "subject", string(c.Alarm.Subject), "error", err)
	})
	r.changes = left
	r.report(givingChanges, err)
}

// Flush commits all waiting frames now. Frames that the journal fails to take go on waiting; one that it can never
// take is dropped alone.
func (r *Road) Flush(ctx context.Context) {
	r.mu.Lock()
	batch := r.waiting
	r.waiting, r.filled = nil, 0
	r.mu.Unlock()
	if len(batch) == 0 {
		return
	}
	refused := uint64(0)
	left, err := give(ctx, batch, r.journal.Append, func(f *fleet.Frame, err error) {
		refused++
		r.log.Error("a frame was dropped, since it can never be stored", "controller", string(f.Controller), "at", f.At, "error", err)
	})
	r.mu.Lock()
	r.refused += refused
	for i := range left {
		r.filled += len(left[i].Values)
	}
	r.waiting = append(left, r.waiting...)
	r.bound()
	r.mu.Unlock()
	r.report(givingFrames, err)
}

// give puts items in one commit. Where some can never be stored it halves until those stand alone, and hands them to
// refuse. It returns what was not stored because of another error, in order, and that error.
func give[T any](ctx context.Context, items []T, put func(context.Context, []T) error, refuse func(*T, error)) ([]T, error) {
	if len(items) == 0 {
		return nil, nil
	}
	err := put(ctx, items)
	switch {
	case err == nil:
		return nil, nil
	case !errors.Is(err, store.ErrInvalid):
		return items, err
	case len(items) == 1:
		refuse(&items[0], err)
		return nil, nil
	}
	half := len(items) / 2
	if left, err := give(ctx, items[:half:half], put, refuse); err != nil {
		return append(left, items[half:]...), err
	}
	return give(ctx, items[half:], put, refuse)
}

// What the journal is given, each of which can fail while the other does not.
const (
	givingFrames = iota
	givingChanges
	givings
)

// report says once that the store is behind, and once that it has caught up; the alarm goes by it.
func (r *Road) report(giving int, err error) {
	r.mu.Lock()
	before, dropped := r.behind(), r.dropped
	r.failing[giving] = err
	after := r.behind()
	why := ""
	if after != nil {
		why = after.Error()
	}
	r.judge.Report(alerts.StoreBehind, after != nil, why)
	r.mu.Unlock()
	switch {
	case after != nil && before == nil:
		r.log.Error("the store is behind: readings wait in memory and are tried again; polling and alarms go on", "error", after)
	case after == nil && before != nil:
		r.log.Info("the store has caught up", "frames_dropped", dropped)
	}
}

// behind says why the journal does not take what it is given; nil: it does. The caller holds mu.
func (r *Road) behind() error { return cmp.Or(r.failing[givingFrames], r.failing[givingChanges]) }
