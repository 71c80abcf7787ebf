package year

import (
	"bytes"
	"encoding/binary"
	"time"

	"go.etcd.io/bbolt"
)

// copyLimit is how many bytes go into one commit.
const copyLimit = 64 << 20

// A copier copies records under other keys.
type copier struct {
	from    *bbolt.Tx
	to      *bbolt.DB
	bucket  []byte // of what waits
	waiting []pair
	size    int
	err     error // the first one: nothing is copied after it
}

type pair struct{ key, value []byte }

// put copies a record to another key. It is sealed anew: the checksum is of the key as well.
func (c *copier) put(bucket string, key, value []byte) {
	if string(c.bucket) != bucket || c.size > copyLimit {
		_ = c.flush() // which keeps its error
		c.bucket = []byte(bucket)
	}
	c.waiting = append(c.waiting, pair{key, seal(key, value[4:])})
	c.size += len(key) + len(value)
}

// flush writes what waits.
func (c *copier) flush() error {
	if c.err == nil && len(c.waiting) > 0 {
		c.err = c.to.Update(func(tx *bbolt.Tx) error {
			b := tx.Bucket(c.bucket)
			b.FillPercent = 1
			for _, p := range c.waiting {
				if err := b.Put(p.key, p.value); err != nil {
					return err
				}
			}
			return nil
		})
	}
	c.waiting, c.size = c.waiting[:0], 0
	return c.err
}

// each calls f with the rest of each key that has a prefix.
func (c *copier) each(bucket string, prefix []byte, f func(rest, value []byte)) {
	at := c.from.Bucket([]byte(bucket)).Cursor()
	for k, v := at.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = at.Next() {
		f(k[len(prefix):], v)
	}
}

// heads lists the instants that the keys of a bucket begin with, from one on.
func (c *copier) heads(bucket string, from time.Time) (all [][]byte) {
	at := c.from.Bucket([]byte(bucket)).Cursor()
	for k, _ := at.Seek(instant(from)); k != nil; {
		head := bytes.Clone(k[:8])
		all = append(all, head)
		k, _ = at.Seek(append(bytes.Clone(head), bytes.Repeat([]byte{0xff}, 300)...))
	}
	return all
}

// instant is a time as keys have it.
func instant(t time.Time) []byte {
	return binary.BigEndian.AppendUint64(nil, uint64(t.UnixNano())^1<<63)
}

// text is a text as keys have it.
func text(s string) []byte { return append(binary.AppendUvarint(nil, uint64(len(s))), s...) }

func (c *copier) copyLayouts() {
	c.each("layouts", nil, func(key, value []byte) { c.put("layouts", bytes.Clone(key), value) })
}

// copyChunks copies the folded frames of the last days: window, controller, zero, the rest.
func (c *copier) copyChunks(site, company *Kept) {
	id := func(s string) []byte { return append([]byte(s), 0) }
	all := twins(company.Fleet, site.Fleet, id)
	for _, head := range c.heads("chunks", rawFrom(site.End)) {
		if bytes.Compare(head, instant(windowStart(site.End))) >= 0 {
			return // it was appended
		}
		for _, t := range all {
			c.each("chunks", append(bytes.Clone(head), id(t.of)...), func(rest, value []byte) {
				c.put("chunks", bytes.Join([][]byte{head, id(t.id), rest}, nil), value)
			})
		}
	}
}

// copyDue copies which days are yet to be rolled up: controller, zero, day.
func (c *copier) copyDue(site, company *Kept) {
	id := func(s string) []byte { return append([]byte(s), 0) }
	for _, t := range twins(company.Fleet, site.Fleet, id) {
		c.each("due", id(t.of), func(day, value []byte) { c.put("due", append(id(t.id), day...), value) })
	}
}

// copyFine copies the rollups of five minutes of the last month: day, controller, point.
func (c *copier) copyFine(site, company *Kept) {
	all := twins(company.Fleet, site.Fleet, text)
	for _, head := range c.heads("fine", site.End.Add(-companyFine)) {
		for _, t := range all {
			for _, point := range site.pointsOf(t.of) {
				c.each("fine", bytes.Join([][]byte{head, text(t.of), text(point)}, nil), func(_, value []byte) {
					c.put("fine", bytes.Join([][]byte{head, text(t.id), text(point)}, nil), value)
				})
			}
		}
	}
}

// copyCoarse copies the rollups of hours and days: controller, point, day.
func (c *copier) copyCoarse(site, company *Kept) {
	for _, t := range twins(company.Fleet, site.Fleet, text) {
		for _, point := range site.pointsOf(t.of) {
			c.each("coarse", append(text(t.of), text(point)...), func(day, value []byte) {
				c.put("coarse", bytes.Join([][]byte{text(t.id), text(point), day}, nil), value)
			})
		}
	}
}
