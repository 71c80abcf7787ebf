package store

import (
	"bytes"
	"context"
	"iter"
	"slices"
	"time"

	"ringwarden/fleet"
)

// A Query says which frames are wanted.
type Query struct {
	Controllers []fleet.ControllerID // nil: all
	From, To    time.Time            // at or after From and before To; zero: no limit
}

// wants returns the filter of the query, nil if it wants all.
func (q *Query) wants() func([]byte, fleet.Group, fleet.Outcome) bool {
	if q.Controllers == nil {
		return nil
	}
	set := make(map[string]struct{}, len(q.Controllers))
	for _, id := range q.Controllers {
		set[string(id)] = struct{}{}
	}
	return func(id []byte, _ fleet.Group, _ fleet.Outcome) bool {
		_, ok := set[string(id)]
		return ok
	}
}

// Frames gives the wanted frames in the order of time, then of controller, then of group. Each belongs to the
// consumer. Damaged values are skipped and counted; any other error ends it, and comes with an empty frame. In memory
// are the packed columns of a window of the wanted controllers, some 45 KiB for each.
func (s *Store) Frames(ctx context.Context, q Query) iter.Seq2[fleet.Frame, error] {
	return func(yield func(fleet.Frame, error) bool) {
		first, last := limits(q.From, q.To)
		for {
			start, ok, err := s.nextWindow(ctx, first, last)
			if err == nil && ok {
				first = max(first, start)
				m := merger{s: s, q: &q, unpacker: unpacker{layout: s.layout, want: q.wants()}, start: start}
				ok, err = m.window(ctx, first, min(last, windowEnd(start)), yield)
			}
			if err != nil {
				yield(fleet.Frame{}, explain("reading frames from", s.path, err))
				return
			}
			if !ok || windowEnd(start) >= last {
				return
			}
			first = windowEnd(start) + 1
		}
	}
}

// sameInstant returns how many records from the first on are of one instant.
func sameInstant(batch []record) int {
	n := 1
	for n < len(batch) && bytes.Equal(instant(batch[n].key), instant(batch[0].key)) {
		n++
	}
	return n
}

// unpackInstant appends the wanted frames of one instant to dst: in order, and of those that are the same frame
// twice, the one that was appended first. Records that are damaged are counted, and returned.
func (s *Store) unpackInstant(u *unpacker, dst []fleet.Frame, records []record) (frames []fleet.Frame, bad []record) {
	u.slab = u.slab[:0]
	for i := range records {
		r := &records[i]
		body, at, err := r.dated()
		if err == nil {
			dst, err = u.unpack(dst, at, body)
		}
		if err != nil {
			s.damagedRecord(bucketJournal, r.key, err)
			bad = append(bad, *r)
		}
	}
	slices.SortStableFunc(dst, func(a, b fleet.Frame) int { return compareFrames(&a, &b) })
	return slices.CompactFunc(dst, func(a, b fleet.Frame) bool { return compareFrames(&a, &b) == 0 }), bad
}

// A Sample is one point of one controller at one instant.
type Sample struct {
	At          time.Time
	fleet.Value              // any quality
	Point       *fleet.Point // what the value is of, as its map said then; shared, not to be changed
}

// Samples gives a point's values at or after from and before to, in the order of time. Polls that read no values, and
// times when the map had no such point, are gaps. An error ends it, and comes with an empty sample.
func (s *Store) Samples(ctx context.Context, id fleet.ControllerID, point string, from, to time.Time) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		for run, err := range s.Runs(ctx, id, point, from, to) {
			if err != nil {
				yield(Sample{}, err)
				return
			}
			for i := range run.At {
				if !yield(run.Sample(i), nil) {
					return
				}
			}
		}
	}
}
