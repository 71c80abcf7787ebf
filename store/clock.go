package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"iter"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A ClockStep says that the machine's clock was stepped.
type ClockStep struct {
	Before, After time.Time // what it said, and what it said instead
	Moved         int       // frames that were moved along
}

// firstYear is before this program was; a clock that says less is not set.
var firstYear = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// StepMoves reports whether a step of the clock from before to after says that what was read before it was read under a
// wrong clock: the clock goes back, or it stood before 2026, or there were frames at instants that an earlier run had
// already. A clock that leaps ahead from a time that could have been right may have done so because the machine slept.
func (s *Store) StepMoves(before, after time.Time) bool {
	return after.Before(before) || before.Before(firstYear) || s.overlaps.Load()
}

// StepClock tells the store that the machine's clock was stepped, and records it. A box without a battery for its clock
// begins in 1970, or where it was switched off, until it hears the time: what was read until then was read under a wrong
// clock.
//
// All that was appended since Open is one stretch of steady time, and the newest setting of the clock says best where it
// lies. So, if [Store.StepMoves] says so, each of its frames that is not folded yet moves by the step, and is marked
// ([fleet.Frame.Restamped]). Frames that are folded, of a large fleet those older than half an hour, or of earlier runs, stay. It is one commit: all of them or none.
// Call it from where Append is called, before anything is appended by the new clock.
func (s *Store) StepClock(ctx context.Context, before, after time.Time) (moved int, err error) {
	const doing = "moving frames to another time in"
	before, after = before.Round(0), after.Round(0) // by the wall clock alone
	select {
	case s.folding <- struct{}{}: // what a fold takes away meanwhile could not be moved
	case <-ctx.Done():
		return 0, explain(doing, s.path, context.Cause(ctx))
	}
	defer func() { <-s.folding }()
	var keys [][]byte
	var frames []fleet.Frame
	if s.StepMoves(before, after) {
		if keys, frames, err = s.ofThisRun(ctx); err != nil {
			return 0, explain(doing, s.path, err)
		}
	}
	overlaps := false
	for i := range frames {
		frames[i].At = frames[i].At.Add(after.Sub(before))
		frames[i].Restamped = true
		overlaps = overlaps || !frames[i].At.After(s.newestAtOpen)
	}
	p, err := pack(frames)
	if err != nil {
		return 0, explain(doing, s.path, err)
	}
	err = s.write(ctx, doing, func(tx *bbolt.Tx) error {
		journal := tx.Bucket(bucketJournal)
		for _, k := range keys {
			if err := journal.Delete(k); err != nil {
				return err
			}
		}
		for i := range p.parcels {
			if err := put(journal, &p.parcels[i]); err != nil {
				return err
			}
		}
		body := appendTime(appendTime(nil, before), after)
		body = binary.AppendUvarint(body, uint64(len(frames)))
		return putEntry(tx.Bucket(bucketBooks), BookClock, &Entry{At: after, Body: body})
	}, func() {
		if len(frames) > 0 {
			s.overlaps.Store(overlaps)
		}
	})
	if err != nil {
		return 0, err
	}
	return len(frames), s.rebuild()
}

// ofThisRun reads the frames that were appended since Open and are not folded, and the keys of their records. Damaged
// records stay where they are.
func (s *Store) ofThisRun(ctx context.Context) (keys [][]byte, frames []fleet.Frame, err error) {
	u := unpacker{layout: s.layout}
	for batch, err := range s.records(ctx, bucketJournal, nil, nil) {
		if err != nil {
			return nil, nil, err
		}
		for i := range batch {
			r := &batch[i]
			if len(r.key) != journalKeySize || journalSequence(r.key) <= s.runFrom {
				continue
			}
			body, at, err := r.dated()
			n := len(frames)
			if err == nil {
				frames, err = u.unpack(frames, at, body)
			}
			if err != nil {
				s.damagedRecord(bucketJournal, r.key, err)
				frames = frames[:n]
				continue
			}
			keys = append(keys, bytes.Clone(r.key))
		}
	}
	return keys, frames, nil
}

// ClockSteps gives the steps of the clock whose new time was at or after from and before to, in that order. An error
// ends it.
func (s *Store) ClockSteps(ctx context.Context, from, to time.Time) iter.Seq2[ClockStep, error] {
	return func(yield func(ClockStep, error) bool) {
		for e, err := range s.Entries(ctx, BookClock, from, to) {
			if err != nil {
				yield(ClockStep{}, err)
				return
			}
			w := wire{b: e.Body}
			step := ClockStep{Before: w.time(), After: w.time(), Moved: int(w.uvarint())}
			if w.bad {
				continue // an entry of somebody else
			}
			if !yield(step, nil) {
				return
			}
		}
	}
}
