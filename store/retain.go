package store

import (
	"context"
	"errors"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
)

// Limits say how long what is stored is kept, and how large the file may become. Changes of alarms and notes are kept
// for ever.
type Limits struct {
	// By [Kind]; 0: for ever. To look for old rollups costs a commit each, so give those once a day.
	Raw, FiveMinutes, Coarse time.Duration
	// Ceiling bounds the file, in bytes; 0: nothing does. It must leave room for what comes between two calls of Retain,
	// of which an eighth is kept free.
	Ceiling int64
}

// Dropped says what Retain dropped.
type Dropped struct {
	Records int   // of any kind
	Over    int64 // bytes that the file is larger than its ceiling even so; compacting gives them back
}

// retainStep bounds what one call of Retain drops by age: this much beyond the oldest frame. A clock that is wrong by
// years and soon set right again then costs a day of the oldest readings, and not all of them.
const retainStep = 24 * time.Hour

// Retain drops what is older than its limit at now, and then, while the file has no room left below its ceiling, the
// oldest raw frames, and after those the finer rollups before the coarser ones. It works in small transactions, between
// which other writes go on; call it every few minutes. What is dropped leaves room in the file that is used again.
//
// So that it can do that on a disk that is full, too, the first call puts a MiB into a file beside the store, PATH.reserve;
// a later one that finds no room takes it away first, and makes it anew once there is room.
func (s *Store) Retain(ctx context.Context, now time.Time, l Limits) (Dropped, error) {
	d, err := s.retain(ctx, now, l)
	if errors.Is(err, syscall.ENOSPC) && s.takeReserve() {
		first := d.Records
		d, err = s.retain(ctx, now, l)
		d.Records += first
	}
	if !s.readOnly && !s.closed.Load() {
		if err := s.putReserve(); err != nil {
			s.log.Debug("no room could be reserved for dropping what is old once the disk is full", "error", err)
		}
	}
	return d, err
}

func (s *Store) retain(ctx context.Context, now time.Time, l Limits) (Dropped, error) {
	var d Dropped
	if err := s.retainByAge(ctx, now, l, &d); err != nil {
		return d, err
	}
	if l.Ceiling <= 0 {
		return d, nil
	}
	goal := room(l.Ceiling) / 8 * 7
	err := s.dropUntilFits(ctx, goal, &d)
	if err != nil {
		return d, err
	}
	st, err := s.Stat()
	d.Over = max(0, st.Size-l.Ceiling)
	return d, err
}

func (s *Store) retainByAge(ctx context.Context, now time.Time, l Limits, d *Dropped) error {
	st, err := s.Stat()
	if err != nil {
		return err
	}
	for _, k := range []struct {
		kind Kind
		keep time.Duration
	}{{KindRaw, l.Raw}, {KindFiveMinutes, l.FiveMinutes}, {KindCoarse, l.Coarse}} {
		before := now.Add(-k.keep)
		if k.keep <= 0 || st.Oldest.IsZero() {
			continue
		}
		if k.kind == KindRaw {
			if !st.Oldest.Before(before) {
				continue // a commit less
			}
			before = minTime(before, st.Oldest.Add(retainStep))
		}
		n, err := s.DropBefore(ctx, k.kind, before)
		d.Records += n
		if err != nil {
			return err
		}
	}
	return nil
}

// dropUntilFits drops the oldest raw frames, a little at a time, until no more than goal bytes are in use. The newest
// hour stays, whatever the ceiling: without it no detector could be judged by its history.
func (s *Store) dropUntilFits(ctx context.Context, goal int64, d *Dropped) error {
	for wider := time.Duration(1); ; { // chunks go as a whole: a step that dropped nothing was too short for one
		used, err := s.used()
		if err != nil || used <= goal {
			return err
		}
		st, err := s.Stat()
		if err != nil {
			return err
		}
		reach := st.Newest.Sub(st.Oldest)
		if st.Oldest.IsZero() || reach < time.Hour {
			return s.dropRollups(ctx, goal, st.Newest, d)
		}
		n, err := s.DropBefore(ctx, KindRaw, st.Oldest.Add(min(reach, wider*max(reach/128, time.Minute))))
		d.Records += n
		if wider *= 2; n > 0 {
			wider = 1
		}
		if err != nil {
			return err
		}
	}
}

// dropRollups drops rollups, the finer kind first, from ten years ago towards now, until no more than goal bytes are
// in use.
func (s *Store) dropRollups(ctx context.Context, goal int64, newest time.Time, d *Dropped) error {
	for _, kind := range []Kind{KindFiveMinutes, KindCoarse} {
		for ago := 40; ago > 0; ago-- {
			n, err := s.DropBefore(ctx, kind, newest.AddDate(0, -3*ago, 0))
			d.Records += n
			if err != nil {
				return err
			}
			if used, err := s.used(); err != nil || used <= goal {
				return err
			}
		}
	}
	return nil
}

// used returns the bytes of the pages that hold something.
func (s *Store) used() (int64, error) {
	var high int64
	err := s.view(func(tx *bbolt.Tx) error { high = tx.Size(); return nil })
	bolt := s.db.Stats()
	return high - int64(bolt.FreePageN+bolt.PendingPageN)*s.pageSize, explain("asking", s.path, err)
}

// room returns how many bytes of pages fit into a file that must not grow beyond ceiling. bbolt doubles a file up to 16
// MiB; from then on it makes it 16 MiB larger than it needs to be.
func room(ceiling int64) int64 {
	const step = 16 << 20
	if ceiling >= 2*step {
		return ceiling - step
	}
	size := int64(32 << 10)
	for 2*size <= min(ceiling, step) {
		size *= 2
	}
	return size
}
