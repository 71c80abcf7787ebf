package store

import (
	"bytes"
	"context"
	"iter"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A rollupReader gives the rollups of a point day by day: those that are kept, and where there are none, or they are
// due, those that its raw samples make.
type rollupReader struct {
	s          *Store
	id         fleet.ControllerID
	point      string
	resolution Resolution
	zone       *time.Location
	decoder    decoder
}

func (r *rollupReader) key() pointKey { return pointKey{string(r.id), r.point} }

// read gives the rollups of the days that reach into the span from first to last.
func (r *rollupReader) read(ctx context.Context, first, last int64) iter.Seq2[[]Rollup, error] {
	return func(yield func([]Rollup, error) bool) {
		for first <= last {
			start, ok, err := r.next(ctx, first, last)
			if err != nil {
				yield(nil, err)
				return
			}
			if !ok {
				return
			}
			d := dayOf(time.Unix(0, max(start, first)), r.zone)
			rollups, d, err := r.day(ctx, d)
			if err != nil {
				yield(nil, err)
				return
			}
			if len(rollups) > 0 && !yield(rollups, nil) {
				return
			}
			if d.end <= first {
				return // the end of time
			}
			first = d.end
		}
	}
}

// next finds the first instant from first on at which there may be something, so that years without anything cost
// nothing.
func (r *rollupReader) next(ctx context.Context, first, last int64) (int64, bool, error) {
	start, ok, err := r.s.nextWindow(ctx, first, last)
	if err != nil {
		return 0, false, err
	}
	day := first
	if first > earliest.Add(48*time.Hour).UnixNano() {
		day = dayOf(time.Unix(0, first), r.zone).start
	}
	err = r.s.view(func(tx *bbolt.Tx) error {
		if k, found := seekCoarse(tx, r.key(), day); found && (!ok || k < start) {
			start, ok = k, true
		}
		return nil
	})
	return start, ok && start <= last, err
}

// seekCoarse finds the first day from start on that has a record of a point.
func seekCoarse(tx *bbolt.Tx, p pointKey, start int64) (int64, bool) {
	b := tx.Bucket(bucketCoarse)
	if b == nil {
		return 0, false
	}
	prefix := p.bytes()
	k, _ := b.Cursor().Seek(coarseKey(start, p))
	if !bytes.HasPrefix(k, prefix) || len(k) != len(prefix)+8 {
		return 0, false
	}
	return keyNanos(k[len(prefix):]), true
}

// day returns the rollups of a day, and the day that they are of: a record that was made in another time zone is given
// with the day that it was made for.
func (r *rollupReader) day(ctx context.Context, d day) ([]Rollup, day, error) {
	var body []byte
	var key, bucket []byte
	err := r.s.view(func(tx *bbolt.Tx) error {
		if start, ok := seekCoarse(tx, r.key(), d.start); ok && start < d.end {
			d.start = start
		}
		if outdated(tx, r.id, d) {
			return nil
		}
		bucket, key = bucketCoarse, coarseKey(d.start, r.key())
		if r.resolution == FiveMinutes {
			bucket, key = bucketFine, fineKey(d.start, r.key())
		}
		if value := tx.Bucket(bucket).Get(key); value != nil {
			body = bytes.Clone(value)
		}
		return nil
	})
	if err != nil {
		return nil, d, err
	}
	if body != nil {
		if rollups, end, ok := r.decode(key, body, d.start); ok {
			return rollups, day{d.start, end}, nil
		}
		r.s.damagedRecord(bucket, key, errMalformed)
	}
	run, err := r.s.dayRun(ctx, r.id, r.point, d)
	return run.roll(d, r.resolution), d, err
}

// outdated reports whether the rollups that are kept of a day may lack frames: of a chunk that came after them, or of
// the journal. Where raw frames were dropped they know more than what is left, even so.
func outdated(tx *bbolt.Tx, id fleet.ControllerID, d day) bool {
	due := tx.Bucket(bucketDue)
	if due == nil {
		return true
	}
	if lacking(tx, d) {
		return false
	}
	k, _ := tx.Bucket(bucketJournal).Cursor().Seek(appendKeyTime(nil, d.start-around))
	return due.Get(dueKey(id, d.start)) != nil || len(k) >= 8 && keyNanos(k) < d.end+around
}

// decode reads a kept record, and the end of its day.
func (r *rollupReader) decode(key, value []byte, start int64) ([]Rollup, int64, bool) {
	body, ok := unseal(key, value)
	if !ok {
		return nil, 0, false
	}
	w := wire{b: body}
	kind, d := w.octet(), day{start, int64(w.uint64())}
	var rollups []Rollup
	switch {
	case kind == tableKind:
		rollups = r.decoder.table(&w, d.start)
		if r.resolution == Hour && !w.bad { // the day's own row stands before the hours
			rollups = r.decoder.table(&w, d.start)
		}
	case kind != leanKind:
		return nil, 0, false
	case r.resolution == FiveMinutes:
		rollups = r.decoder.lean(&w, d, FiveMinutes)
	default:
		var whole Rollup
		if whole, rollups = r.decoder.day(&w, d); r.resolution == Day {
			rollups = []Rollup{whole}
		}
	}
	return rollups, d.end, !w.bad
}

// dayRun reads a point's samples of a day and a little around it.
func (s *Store) dayRun(ctx context.Context, id fleet.ControllerID, point string, d day) (Run, error) {
	var all Run
	for r, err := range s.Runs(ctx, id, point, time.Unix(0, d.start-around), time.Unix(0, d.end+around)) {
		if err != nil {
			return all, err
		}
		all.Point = r.Point
		all.At, all.Raw = append(all.At, r.At...), append(all.Raw, r.Raw...)
		all.Number, all.Quality = append(all.Number, r.Number...), append(all.Quality, r.Quality...)
	}
	return all, nil
}
