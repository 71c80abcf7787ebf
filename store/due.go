package store

import (
	"bytes"
	"context"
	"encoding/binary"
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

// parseDue reads a record of the bucket of due days. One whose end is damaged is taken for a day of 24 hours.
func parseDue(k, v []byte) (dueDay, bool) {
	id, start, ok := parseDueKey(k)
	d := dueDay{controller: id, day: day{start, start + int64(24*time.Hour)}, key: k}
	if body, sound := unseal(k, v); sound && len(body) == 8 {
		d.day.end = int64(binary.BigEndian.Uint64(body))
	}
	return d, ok && d.day.end > start
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
			s.fine = nil // what that drops of them is to be made again
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
			if d, ok := parseDue(k, v); ok && d.day.end <= before-around {
				d.key = bytes.Clone(k)
				days = append(days, d)
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
	made := dayRollups{dueDay: d, kept: make(map[string]bool)}
	err = s.view(func(tx *bbolt.Tx) error {
		fine = fine || lacking(tx, d.day)
		made.cuts = d.day.cut(keptDays(tx, d.controller, d.day))
		return nil
	})
	if err != nil {
		return err
	}
	layouts, err := s.allLayouts()
	if err != nil {
		return err
	}
	for _, cut := range made.cuts {
		restarts, err := s.restarts(ctx, d.controller, cut)
		if err != nil {
			return err
		}
		for _, point := range points {
			c, err := s.dayCurve(ctx, d.controller, point, cut)
			if err != nil {
				return err
			}
			c.restart = restarts
			made.add(c, cut, point, fine)
			if !changes(layouts, point) {
				continue
			}
			if err := s.addMeant(&made, c.meantOn(pointKey{string(d.controller), point}, cut)); err != nil {
				return err
			}
		}
	}
	return s.putRollups(ctx, &made)
}

// dayRollups are the rollups of a controller's day that are to be kept.
type dayRollups struct {
	dueDay
	cuts         []day // what the day consists of
	fine, coarse []dayRecord
	kept         map[string]bool // the keys of both
	meant        []meant         // of the points whose meaning may have changed
	coder        coder
}

// A dayRecord is what is kept of one point and day.
type dayRecord struct {
	record
	day day
}

// add takes the rollups of a point.
func (m *dayRollups) add(c *curve, d day, point string, fine bool) {
	gap := gapPeriods * c.period()
	days := c.roll(d, Day, gap)
	if len(days) == 0 {
		return
	}
	p := pointKey{string(m.controller), point}
	head := binary.BigEndian.AppendUint64([]byte{leanKind}, uint64(d.end))
	m.coarse = m.put(m.coarse, d, coarseKey(d.start, p), appendDay(bytes.Clone(head), d, days[0], c.roll(d, Hour, gap), &m.coder))
	if fine {
		m.fine = m.put(m.fine, d, fineKey(d.start, p), appendLean(head, d, FiveMinutes, c.roll(d, FiveMinutes, gap), &m.coder))
	}
}

func (m *dayRollups) put(to []dayRecord, d day, key, body []byte) []dayRecord {
	m.kept[string(key)] = true
	return append(to, dayRecord{record{key, seal(key, body)}, d})
}

// lacking reports whether some of the raw frames that the rollups of a day are made of may have been dropped. Before
// [firstYear] no clock was right: what is there of those days is what was not moved to another time yet.
func lacking(tx *bbolt.Tx, d day) bool {
	from := rawFrom(tx)
	return from > math.MinInt64 && d.start-around < from && d.end > firstYear.UnixNano()
}

// putRollups writes the rollups of a day in place of those that were there, unless some of its raw frames were dropped, or
// lost by damage: then those that are there know more.
func (s *Store) putRollups(ctx context.Context, m *dayRollups) error {
	return s.write(ctx, "folding", func(tx *bbolt.Tx) error {
		for i := range m.meant {
			if err := putMeant(tx, &m.meant[i]); err != nil {
				return err
			}
		}
		wanting := make(map[day]bool)
		for _, cut := range m.cuts {
			if wanting[cut] = lacking(tx, cut) || lost(tx, m.controller, cut) || loses(tx, m.controller, cut); wanting[cut] {
				continue
			}
			if err := m.dropOthers(tx, cut); err != nil {
				return err
			}
		}
		for _, step := range []struct {
			bucket  []byte
			records []dayRecord
			fill    float64
		}{{bucketFine, m.fine, 1}, {bucketCoarse, m.coarse, 0.9}} {
			b := tx.Bucket(step.bucket)
			b.FillPercent = step.fill
			for _, r := range step.records {
				if old := b.Get(r.key); old != nil && (wanting[r.day] || bytes.Equal(old, r.value)) {
					continue
				}
				if err := b.Put(r.key, r.value); err != nil {
					return err
				}
			}
		}
		return tx.Bucket(bucketDue).Delete(m.key)
	}, func() {})
}

// addMeant adds what a point meant on a part of the day.
func (s *Store) addMeant(m *dayRollups, parts []meant) error {
	for i := range parts {
		if i > 0 {
			parts[i].before = parts[i-1].point
			continue
		}
		var err error
		if parts[i].before, err = s.meantBefore(parts[i].key, parts[i].first); err != nil {
			return err
		}
	}
	m.meant = append(m.meant, parts...)
	return nil
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
