package store

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"time"

	"go.etcd.io/bbolt"
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
// already, or it leaps ahead by more than the machine has been running, where that is known: it began where the machine
// was switched off. Any other leap ahead from a time that could have been right may be no fault of the time before: the
// machine slept, or stood still for another reason.
func (s *Store) StepMoves(before, after time.Time) bool {
	return after.Before(before) || before.Before(firstYear) || s.overlaps.Load() ||
		s.run.id != "" && after.Sub(before) > before.Sub(s.run.started)
}

// StepClock tells the store that the machine's clock was stepped, and records it. A box without a battery for its clock
// begins in 1970, or where it was switched off, until it hears the time: what was read until then was read under a wrong
// clock.
//
// All that was appended since Open is one stretch of steady time, and the newest setting of the clock says best where it
// lies; where the [Boot] is known, all since the first Open of this boot. So, if [Store.StepMoves] says so, each of its frames moves by the step, and is marked ([fleet.Frame.Restamped]);
// but those from before a leap ahead only by what a step back takes back beyond that leap. Frames of earlier runs stay.
// So do folded ones where the clock went back by no more than it may have drifted, little by little, in the time since
// Open. The rollups of days that lose or gain frames are made anew.
//
// What moves is noted down with the first commit, and moved in further ones where it is much: a StepClock that was killed,
// or failed, is ended by the next Open. Call it from where Append is called, before anything is appended by the new clock.
func (s *Store) StepClock(ctx context.Context, before, after time.Time) (moved int, err error) {
	const doing = "moving frames to another time in"
	before, after = before.Round(0), after.Round(0) // by the wall clock alone
	select {
	case s.folding <- struct{}{}: // what a fold takes away meanwhile could not be moved
	case <-ctx.Done():
		return 0, explain(doing, s.path, context.Cause(ctx))
	}
	defer func() { <-s.folding }()
	run := s.run
	run.started = run.started.Add(after.Sub(before))
	p, err := s.plan(ctx, before, after)
	if err == nil {
		err = s.beginStep(ctx, p, &run)
	}
	if err != nil {
		s.run.started = run.started // what comes is stamped by the new clock, and it is not tried again
		return 0, explain(doing, s.path, err)
	}
	if p.shifts == nil {
		return 0, nil
	}
	s.forget(p.chunkKeys())
	return p.moved, cmp.Or(explain(doing, s.path, s.finishMoves(context.WithoutCancel(ctx))), s.rebuild())
}

// beginStep makes the first commit of a step, and run the one that goes on.
func (s *Store) beginStep(ctx context.Context, p *move, run *clockRun) error {
	overlaps := s.overlaps.Load()
	if p.shifts != nil {
		overlaps = p.overlaps || overlaps && slices.Contains(p.shifts, 0)
	}
	run.steps++
	return s.write(ctx, "moving frames to another time in", func(tx *bbolt.Tx) error {
		run.stretches = settled(s.run.stretches, p.shifts, p.after.Sub(p.before), tx.Bucket(bucketJournal).Sequence())
		if err := p.begin(tx); err != nil {
			return err
		}
		if err := s.noteRunChunks(tx, p.chunkKeys(), nil); err != nil {
			return err
		}
		return s.noteRun(tx, run, overlaps)
	}, func() {
		s.run = *run
		s.overlaps.Store(overlaps)
		if p.shifts != nil {
			s.newestAtOpen = p.limit // what this run read lies before now; only what stays may lie after it
		}
	})
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
