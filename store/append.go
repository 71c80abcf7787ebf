package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// Append stores frames, of as many instants as they are, in one commit: all of them or none. When it returns nil they
// are on the disk. A commit costs at least 20 KiB of writing whatever it holds, so callers gather frames first.
//
// A frame that is not newer than all that was there when the store was opened may be of a clock that went over the same
// time before: it is kept some nanoseconds later than it says, so that it cannot hide behind another one.
//
// It keeps none of what it was given. The error is [ErrInvalid] if a frame makes no sense, and names it; ctx stops the
// waiting for another write, but not a commit that has begun.
func (s *Store) Append(ctx context.Context, frames []fleet.Frame) error {
	doing := fmt.Sprintf("appending %d frames to", len(frames))
	frames, parted, err := s.apart(frames)
	if err != nil {
		return explain(doing, s.path, err)
	}
	p, err := pack(frames)
	if err != nil {
		return explain(doing, s.path, err)
	}
	if len(frames) == 0 {
		return nil
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error {
		if err := s.putLayouts(tx, p.layouts); err != nil {
			return err
		}
		if err := putParted(tx, parted); err != nil {
			return err
		}
		if err := s.noteRun(tx, &s.run, parted > 0 || s.overlaps.Load()); err != nil {
			return err
		}
		journal := tx.Bucket(bucketJournal)
		journal.FillPercent = 1 // keys come in the order of time: a page that is full stays as it is
		return p.put(journal)
	}, func() {
		for id, l := range p.layouts {
			s.layouts.add(id, l)
		}
		s.newest.put(frames)
		s.counts.frames.Add(uint64(len(frames)))
		for i := range frames {
			s.counts.readings.Add(uint64(len(frames[i].Values)))
		}
		if parted > 0 {
			s.overlaps.Store(true)
		}
	})
}

// apart moves frames that lie where an earlier run may have been by this run's nanoseconds, in a copy. number is 0 where
// there are none.
func (s *Store) apart(frames []fleet.Frame) (_ []fleet.Frame, number int64, err error) {
	copied := false
	var by time.Duration
	for i := range frames {
		if frames[i].At.After(s.newestAtOpen) {
			continue
		}
		if !copied {
			if number, by, err = s.aside(false); err != nil {
				return nil, 0, err
			}
			frames, copied = slices.Clone(frames), true
		}
		if at := frames[i].At.Add(by); storable(at) {
			frames[i].At = at
		}
	}
	return frames, number, nil
}

// put stores a value, which has room for the checksum before its body, under a key of its own.
func put(b *bbolt.Bucket, at time.Time, value []byte) error {
	sequence, err := b.NextSequence()
	if err != nil {
		return err
	}
	key := journalKey(at, sequence)
	return b.Put(key, sealIn(key, value))
}
