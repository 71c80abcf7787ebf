package store

import (
	"bytes"
	"context"
	"iter"
	"math"
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
	raw        *rawDays // where several points are read; nil: this is the only one
}

func (r *rollupReader) key() pointKey { return pointKey{string(r.id), r.point} }

// rollups gives those whose buckets begin at or after from and before to.
func (r *rollupReader) rollups(ctx context.Context, from, to time.Time) iter.Seq2[Rollup, error] {
	return func(yield func(Rollup, error) bool) {
		first, last := limits(from, to)
		for rollups, err := range r.read(ctx, first, last) {
			if err != nil {
				yield(Rollup{}, explain("reading rollups from", r.s.path, err))
				return
			}
			for i := range rollups {
				if start := rollups[i].Start.UnixNano(); start < first || start > last {
					continue
				}
				if !yield(rollups[i], nil) {
					return
				}
			}
		}
	}
}

// read gives the rollups of the days that reach into the span from first to last.
func (r *rollupReader) read(ctx context.Context, first, last int64) iter.Seq2[[]Rollup, error] {
	return func(yield func([]Rollup, error) bool) {
		for covered := int64(math.MinInt64); first <= last; {
			start, ok, err := r.next(ctx, first, last)
			if err != nil {
				yield(nil, err)
				return
			}
			if !ok {
				return
			}
			at := max(start, first)
			d := dayOf(time.Unix(0, at), r.zone)
			d.start = max(d.start, covered)
			rollups, d, err := r.day(ctx, d, at)
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
			first, covered = d.end, d.end
		}
	}
}

// next finds the first instant from first on at which there may be something, so that years without anything cost
// nothing.
func (r *rollupReader) next(ctx context.Context, first, last int64) (int64, bool, error) {
	var kept day
	var found bool
	err := r.s.view(func(tx *bbolt.Tx) error {
		kept, found = r.kept(tx, first)
		return nil
	})
	if err != nil || found && kept.start <= first { // no need to look for frames
		return kept.start, err == nil, err
	}
	start, ok, err := r.s.nextWindow(ctx, first, last)
	if err == nil && found && (!ok || kept.start < start) {
		start, ok = kept.start, true
	}
	return start, ok && start <= last, err
}

// kept finds the first day that is kept and ends after an instant.
func (r *rollupReader) kept(tx *bbolt.Tx, after int64) (day, bool) {
	b := tx.Bucket(bucketCoarse)
	if b == nil {
		return day{}, false
	}
	return seekKept(b.Cursor(), r.key(), after)
}

// day returns the rollups of a day, and the day that they are of: one that holds an instant of it and was made in another
// time zone is given as it was made, and what comes before one alone.
func (r *rollupReader) day(ctx context.Context, d day, at int64) ([]Rollup, day, error) {
	var body, key, bucket []byte
	due := false
	err := r.s.view(func(tx *bbolt.Tx) error {
		switch k, ok := r.kept(tx, at); {
		case !ok || k.start >= d.end:
		case k.start <= at:
			d = k
		default:
			d.end = k.start
		}
		if due = outdated(tx, r.id, d); due {
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
	rollups, err := r.fromRaw(ctx, d, due)
	return rollups, d, err
}

// fromRaw makes the rollups of a day. One that is due is so for all points of a controller, and is made for all that are
// read; one that is not lacks this point alone.
func (r *rollupReader) fromRaw(ctx context.Context, d day, due bool) ([]Rollup, error) {
	if due && r.raw != nil {
		return r.raw.of(ctx, r, d)
	}
	made, err := r.s.rollRaw(ctx, r.id, []string{r.point}, d, r.resolution)
	if err != nil {
		return nil, err
	}
	return made[0], nil
}

// outdated reports whether the rollups that are kept of a day may lack frames: of a chunk that came after them, or of
// the journal. Where raw frames were dropped, or lost by damage, they know more than what is left, even so.
func outdated(tx *bbolt.Tx, id fleet.ControllerID, d day) bool {
	due := tx.Bucket(bucketDue)
	if due == nil {
		return true
	}
	if lacking(tx, d) || lost(tx, id, d) {
		return false
	}
	k, _ := tx.Bucket(bucketJournal).Cursor().Seek(appendKeyTime(nil, d.start-around))
	return isDue(due, id, d) || len(k) >= 8 && keyNanos(k) < d.end+around
}

// isDue reports whether a day is due that reaches into another one.
func isDue(due *bbolt.Bucket, id fleet.ControllerID, d day) bool {
	prefix := append([]byte(id), 0)
	c := due.Cursor()
	for k, v := c.Seek(dueKey(id, max(d.start, math.MinInt64+dayLimit)-dayLimit)); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		other, ok := parseDue(k, v)
		if ok && other.controller == id && other.day.end > d.start {
			return other.day.start < d.end
		}
	}
	return false
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
