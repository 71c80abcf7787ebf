package store

import (
	"bytes"
	"context"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// keepFine puts down the rollups of five minutes of the days that lose raw frames if those up to last are dropped, so
// far as that was not done before. Until then they are made from the raw frames whenever somebody asks: kept beside
// them they would take almost as much room again. Days that may still get frames are left out; what remains of those is
// rolled up when they are over. The caller holds the token of the fold.
func (s *Store) keepFine(ctx context.Context, last int64) error {
	st, err := s.Stat()
	if err != nil || st.Newest.IsZero() {
		return err
	}
	reach := last // of the days that begin up to last and an hour, and of the hour after
	if last < math.MaxInt64-30*around {
		reach = last + 28*around
	}
	over := min(st.Newest.UnixNano(), math.MaxInt64-around)
	for next := int64(math.MinInt64); ; {
		start, ok, err := s.nextChunks(next, reach)
		if err != nil || !ok {
			return err
		}
		days, err := s.fineDays(ctx, start, last, over)
		if err != nil {
			return err
		}
		for _, d := range days {
			if err := s.rollDay(ctx, d, true); err != nil {
				return err
			}
			s.noteFine(d.key)
		}
		if next = windowEnd(start); next == math.MaxInt64 {
			return nil
		}
		next++
	}
}

// nextChunks finds the first window from the one of first on, up to last, that has chunks.
func (s *Store) nextChunks(first, last int64) (start int64, ok bool, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		if k, _ := chunksOf(tx).Cursor().Seek(appendKeyTime(nil, windowOf(first))); len(k) >= 8 {
			start, ok = keyNanos(k), true
		}
		return nil
	})
	return start, ok && start <= last, err
}

// fineDays finds the days that chunks of a window have frames of, that would lose some up to last, are over, and have
// no rollups of five minutes yet.
func (s *Store) fineDays(ctx context.Context, start, last, over int64) ([]dueDay, error) {
	found := make(map[string]dueDay)
	err := s.chunkKeys(ctx, start, func(k chunkKey, _ int) {
		zone := s.zone(k.controller)
		first, end := max(k.first, math.MinInt64+4*around)-around, min(k.last, math.MaxInt64-4*around)+around
		for d := dayOf(time.Unix(0, first), zone); d.start <= end; d = d.next(zone) {
			if d.start-around <= last && d.end+around <= over {
				key := dueKey(k.controller, d.start)
				found[string(key)] = dueDay{k.controller, d, key}
			}
			if d.end <= d.start {
				break
			}
		}
	})
	if err != nil {
		return nil, err
	}
	days := make([]dueDay, 0, len(found))
	err = s.view(func(tx *bbolt.Tx) error {
		for _, d := range found {
			_, done := s.fine[string(d.key)]
			if !hasFine(tx, d.controller, d.day.start) && (!done || isDue(tx.Bucket(bucketDue), d.controller, d.day)) {
				days = append(days, d)
			}
		}
		return nil
	})
	slices.SortFunc(days, func(a, b dueDay) int { return bytes.Compare(a.key, b.key) })
	return days, err
}

// noteFine remembers that the rollups of five minutes of a day were made, though there may be none that begin when it does:
// nothing was read then, or its site has another time zone by now and they are of days that were cut otherwise.
func (s *Store) noteFine(key []byte) {
	if s.fine == nil || len(s.fine) == fineKept {
		s.fine = make(map[string]struct{}) // what is forgotten is made once more
	}
	s.fine[string(key)] = struct{}{}
}

// fineKept bounds what is remembered of that: the days of a year of forty controllers whose sites move.
const fineKept = 1 << 14

// hasFine reports whether rollups of five minutes are kept of a controller's day: of all its points or of none.
func hasFine(tx *bbolt.Tx, id fleet.ControllerID, start int64) bool {
	prefix := appendText(appendKeyTime(nil, start), string(id))
	k, _ := tx.Bucket(bucketFine).Cursor().Seek(prefix)
	return bytes.HasPrefix(k, prefix)
}
