package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// dueKey names a controller's day whose rollups are to be made, or made anew.
func dueKey(id fleet.ControllerID, start int64) []byte {
	return appendKeyTime(append(append([]byte(nil), id...), 0), start)
}

// parseDueKey is the inverse of dueKey.
func parseDueKey(k []byte) (fleet.ControllerID, int64, bool) {
	n := len(k) - 9
	if n < 0 || k[n] != 0 {
		return "", 0, false
	}
	return fleet.ControllerID(k[:n]), keyNanos(k[n+1:]), true
}

// putDue notes the days that a new chunk is of. The days around it are among them where a sample joins them.
func (s *Store) putDue(b *bbolt.Bucket, k *chunkKey) error {
	zone := s.zone(k.controller)
	first, last := max(k.first, math.MinInt64+4*around)-around, min(k.last, math.MaxInt64-4*around)+around
	for d := dayOf(time.Unix(0, first), zone); ; d = d.next(zone) {
		key := dueKey(k.controller, d.start)
		if b.Get(key) == nil {
			if err := b.Put(key, seal(key, binary.BigEndian.AppendUint64(nil, uint64(d.end)))); err != nil {
				return err
			}
		}
		if d.end > last || d.end <= d.start {
			return nil
		}
	}
}

// A dueDay is what a key in the bucket of due days says.
type dueDay struct {
	controller fleet.ControllerID
	day        day
	key        []byte
}

// rollDue makes the rollups of the days that are over before an instant.
func (s *Store) rollDue(ctx context.Context, before time.Time) error {
	var next []byte
	for {
		days, after, err := s.dueDays(next, before.UnixNano())
		if err != nil {
			return err
		}
		for _, d := range days {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			if err := s.rollDay(ctx, d, false); err != nil {
				return err
			}
		}
		if after == nil {
			return nil
		}
		next = after
	}
}

// dueDays reads some of the due days. after is nil at the end.
func (s *Store) dueDays(next []byte, before int64) (days []dueDay, after []byte, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		c := tx.Bucket(bucketDue).Cursor()
		for k, v := c.Seek(next); k != nil; k, v = c.Next() {
			if len(days) == dropBatch {
				after = bytes.Clone(k)
				return nil
			}
			id, start, ok := parseDueKey(k)
			d := day{start: start}
			if body, sound := unseal(k, v); ok && sound && len(body) == 8 {
				d.end = int64(binary.BigEndian.Uint64(body))
			} else if ok { // which day it was says its key
				d = dayOf(time.Unix(0, start), s.zone(id))
			} else {
				continue
			}
			if d.end <= before-around {
				days = append(days, dueDay{id, d, bytes.Clone(k)})
			}
		}
		return nil
	})
	return days, after, err
}

// rollDay makes the rollups of a controller's day, in one commit: its hours and itself, and its five minutes if that is
// asked, or if they could not be made later, since some of its raw frames were dropped.
func (s *Store) rollDay(ctx context.Context, d dueDay, fine bool) error {
	points, err := s.pointsOf(ctx, d)
	if err != nil {
		return err
	}
	err = s.view(func(tx *bbolt.Tx) error {
		fine = fine || lacking(tx, d.day)
		return nil
	})
	if err != nil {
		return err
	}
	var rows []dayRows
	var k coder
	for _, point := range points {
		run, err := s.dayRun(ctx, d.controller, point, d.day)
		if err != nil {
			return err
		}
		gap := gapPeriods * run.period()
		days := run.rollGaps(d.day, Day, gap)
		if len(days) == 0 {
			continue
		}
		p := pointKey{string(d.controller), point}
		r := dayRows{fineKey: fineKey(d.day.start, p), coarseKey: coarseKey(d.day.start, p)}
		head := binary.BigEndian.AppendUint64([]byte{leanKind}, uint64(d.day.end))
		r.coarse = seal(r.coarseKey, appendDay(bytes.Clone(head), d.day, days[0], run.rollGaps(d.day, Hour, gap), &k))
		if fine {
			r.fine = seal(r.fineKey, appendLean(head, d.day, FiveMinutes, run.rollGaps(d.day, FiveMinutes, gap), &k))
		}
		rows = append(rows, r)
	}
	return s.putRollups(ctx, d, rows)
}

// dayRows are the records of a point and a day; fine is nil where its five minutes are not to be kept.
type dayRows struct {
	fineKey, fine     []byte
	coarseKey, coarse []byte
}

// lacking reports whether some of the raw frames that the rollups of a day are made of may have been dropped.
func lacking(tx *bbolt.Tx, d day) bool {
	from := rawFrom(tx)
	return from > math.MinInt64 && d.start-around < from
}

// putRollups writes the rollups of a day, unless some of its raw frames were dropped: then those that are there know
// more. Five minutes that were kept before are dropped where they are not kept now: they are of other frames.
func (s *Store) putRollups(ctx context.Context, d dueDay, rows []dayRows) error {
	return s.write(ctx, "folding", func(tx *bbolt.Tx) error {
		keep := lacking(tx, d.day)
		fine, coarse := tx.Bucket(bucketFine), tx.Bucket(bucketCoarse)
		fine.FillPercent, coarse.FillPercent = 1, 0.9
		put := func(b *bbolt.Bucket, key, value []byte) error {
			if old := b.Get(key); old != nil && (keep || bytes.Equal(old, value)) {
				return nil
			}
			if value == nil {
				return b.Delete(key)
			}
			return b.Put(key, value)
		}
		for i := range rows {
			r := &rows[i]
			if err := errors.Join(put(fine, r.fineKey, r.fine), put(coarse, r.coarseKey, r.coarse)); err != nil {
				return err
			}
		}
		return tx.Bucket(bucketDue).Delete(d.key)
	}, func() {})
}

// pointsOf returns the names of the points that a controller had on a day.
func (s *Store) pointsOf(ctx context.Context, d dueDay) ([]string, error) {
	layouts := make(map[layoutID]struct{})
	for at := d.day.start; at < d.day.end; at = windowEnd(at) + 1 {
		err := s.view(func(tx *bbolt.Tx) error {
			prefix := chunkPrefix(windowOf(at), d.controller)
			c := chunksOf(tx).Cursor()
			for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
				body, ok := unseal(k, v)
				if !ok {
					continue
				}
				if c, err := parseChunk(body); err == nil && c.valued > 0 {
					layouts[c.layout] = struct{}{}
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	names := make(map[string]struct{})
	for id := range layouts {
		l, err := s.layout(id)
		if err != nil {
			continue // whoever reads the chunk counts it
		}
		for i := range l.Points {
			if l.Points[i].Form != fleet.FormText {
				names[l.Points[i].Name] = struct{}{}
			}
		}
	}
	sorted := make([]string, 0, len(names))
	for n := range names {
		sorted = append(sorted, n)
	}
	slices.Sort(sorted)
	return sorted, ctx.Err()
}

// rawFrom returns the instant before which frames were dropped.
func rawFrom(tx *bbolt.Tx) int64 {
	body, ok := unseal(keyRawFrom, tx.Bucket(bucketHead).Get(keyRawFrom))
	if !ok || len(body) != 8 {
		return math.MinInt64
	}
	return int64(binary.BigEndian.Uint64(body))
}
