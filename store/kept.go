package store

import (
	"bytes"
	"encoding/binary"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// dayLimit is longer than any day, and than what is left of one where a site's time zone changed.
const dayLimit = int64(50 * time.Hour)

// cut returns the days that a day consists of: those that were kept before, whole, in whatever time zone they were cut,
// and what lies between them. So days never overlap, though a site's zone may change.
func (d day) cut(kept []day) []day {
	var cuts []day
	at := d.start
	for _, k := range kept {
		if k.start > at {
			cuts = append(cuts, day{at, k.start})
		}
		cuts, at = append(cuts, k), k.end
	}
	if at < d.end {
		cuts = append(cuts, day{at, d.end})
	}
	return cuts
}

// keptDays returns the days that reach into a day and of which rollups of a controller are kept, in order.
func keptDays(tx *bbolt.Tx, id fleet.ControllerID, d day) []day {
	var days []day
	eachPoint(tx, id, func(c *bbolt.Cursor, p pointKey) {
		for k, ok := seekKept(c, p, d.start); ok && k.start < d.end; k, ok = seekKept(c, p, k.end) {
			days = append(days, k)
		}
	})
	slices.SortFunc(days, func(a, b day) int { return int(min(max(a.start-b.start, -1), 1)) })
	kept := days[:0]
	for _, k := range days {
		if n := len(kept); n == 0 || k.start >= kept[n-1].end {
			kept = append(kept, k)
		}
	}
	return kept
}

// eachPoint calls f for each point of a controller that has hours and days.
func eachPoint(tx *bbolt.Tx, id fleet.ControllerID, f func(c *bbolt.Cursor, p pointKey)) {
	b := tx.Bucket(bucketCoarse)
	if b == nil {
		return
	}
	c, prefix := b.Cursor(), appendText(nil, string(id))
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); {
		w := wire{b: k[len(prefix):]}
		p := pointKey{string(id), w.text()}
		if w.bad || len(w.b) != 8 {
			k, _ = c.Next()
			continue
		}
		f(c, p)
		k, _ = c.Seek(append(p.bytes(), bytes.Repeat([]byte{0xff}, 9)...)) // behind all of the point's
	}
}

// seekKept finds the first day of a point that is kept and ends after an instant.
func seekKept(c *bbolt.Cursor, p pointKey, after int64) (day, bool) {
	prefix := p.bytes()
	from := after
	if from > earliest.UnixNano()+dayLimit {
		from -= dayLimit
	} else {
		from = earliest.UnixNano()
	}
	for k, v := c.Seek(coarseKey(from, p)); bytes.HasPrefix(k, prefix) && len(k) == len(prefix)+8; k, v = c.Next() {
		d := day{start: keyNanos(k[len(prefix):])}
		if d.end = d.start + int64(24*time.Hour); len(v) >= 13 { // checksum, kind, end; who reads it sees whether it is sound
			if end := int64(binary.BigEndian.Uint64(v[5:])); end > d.start && end-d.start <= dayLimit {
				d.end = end
			}
		}
		if d.end > after {
			return d, true
		}
	}
	return day{}, false
}

// dropOthers deletes the rollups of a controller and a day that are not made any more.
func (m *dayRollups) dropOthers(tx *bbolt.Tx, d day) error {
	var keys [][]byte
	eachPoint(tx, m.controller, func(_ *bbolt.Cursor, p pointKey) { keys = append(keys, coarseKey(d.start, p)) })
	coarse, fine := tx.Bucket(bucketCoarse), tx.Bucket(bucketFine)
	for _, k := range keys {
		if m.kept[string(k)] {
			continue
		}
		if err := coarse.Delete(k); err != nil {
			return err
		}
	}
	keys = keys[:0]
	prefix, c := appendText(appendKeyTime(nil, d.start), string(m.controller)), fine.Cursor()
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	for _, k := range keys {
		if m.kept[string(k)] {
			continue
		}
		if err := fine.Delete(k); err != nil {
			return err
		}
	}
	return nil
}
