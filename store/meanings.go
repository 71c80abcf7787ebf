package store

import (
	"bytes"
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// bucketMeanings says what a point's numbers are of, where that changed with the map: rollups have numbers alone. It comes
// with the first such change.
var bucketMeanings = []byte("meanings")

const meaningKind = 1

// A meaning is what the numbers of a point are of from an instant on, until another one.
type meaning struct {
	at    int64
	point fleet.Point // only what sameMeaning compares
}

func (m *meaning) encode() []byte {
	body := appendText(appendText([]byte{meaningKind}, m.point.Quantity.String()), string(m.point.Unit))
	if m.point.Counter {
		return append(body, 1)
	}
	return append(body, 0)
}

// decodeMeaning reads what encode wrote, under a key.
func decodeMeaning(key, value []byte) (m meaning, ok bool) {
	body, sound := unseal(key, value)
	w := wire{b: body}
	kind := w.octet()
	m.point.Quantity, _ = fleet.ParseQuantity(w.text())
	m.point.Unit, m.point.Counter = fleet.Unit(w.text()), w.octet() == 1
	if len(key) >= 8 {
		m.at = keyNanos(key[len(key)-8:])
	}
	return m, sound && kind == meaningKind && w.done() && len(key) >= 8
}

// meaningsOf reads those of a point, in the order of time.
func meaningsOf(tx *bbolt.Tx, p pointKey) (all []meaning) {
	b := tx.Bucket(bucketMeanings)
	if b == nil {
		return nil
	}
	prefix := p.bytes()
	c := b.Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix) && len(k) == len(prefix)+8; k, v = c.Next() {
		if m, ok := decodeMeaning(k, v); ok {
			all = append(all, m)
		}
	}
	return all
}

// meantAt returns the one that holds at an instant; nil: it is not known.
func meantAt(all []meaning, at int64) *meaning {
	n, found := slices.BinarySearchFunc(all, at, func(m meaning, at int64) int { return cmp.Compare(m.at, at) })
	if found {
		n++
	}
	if n == 0 {
		return nil
	}
	return &all[n-1]
}

// changes reports whether a point of a name means different things in different layouts: in most files none does.
func changes(layouts []*fleet.Layout, name string) bool {
	var first *fleet.Point
	for _, l := range layouts {
		i, ok := l.Named(name)
		switch {
		case !ok:
		case first == nil:
			first = &l.Points[i]
		case !sameMeaning(first, &l.Points[i]):
			return true
		}
	}
	return false
}

// A meant says what the numbers of a point were of, from its first good sample of a day until they were of something else,
// or the day was over.
type meant struct {
	key        pointKey
	first, end int64
	point      *fleet.Point
	before     *fleet.Point // what it was before, as far as readings of then are there
}

// meantOn returns what the point meant on a day, in the order of time.
func (c *curve) meantOn(key pointKey, d day) (all []meant) {
	for i, at := range c.At {
		if !c.good(i) || at < d.start || at >= d.end {
			continue
		}
		p := c.point(i)
		if n := len(all); n > 0 {
			if sameMeaning(all[n-1].point, p) {
				continue
			}
			all[n-1].end = at
		}
		all = append(all, meant{key: key, first: at, end: d.end, point: p})
	}
	return all
}

// meansBefore bounds how far back it is looked for what a point meant, in windows: longer than raw readings are mostly kept.
const meansBefore = 400

// meantBefore finds what a point was before an instant, by the newest chunk that has it; nil: there is none.
func (s *Store) meantBefore(key pointKey, at int64) (*fleet.Point, error) {
	start := windowOf(at)
	for range meansBefore {
		layouts := make(map[layoutID]int64)
		f := pointFinder{s: s, id: fleet.ControllerID(key.controller), first: math.MinInt64, last: at - 1}
		if err := s.view(func(tx *bbolt.Tx) error { f.ofWindow(tx, start, layouts); return nil }); err != nil {
			return nil, err
		}
		var found *fleet.Point
		newest := int64(math.MinInt64)
		for id, last := range layouts {
			l, err := s.layout(id)
			if err != nil {
				continue // whoever reads the chunk counts it
			}
			if i, ok := l.Named(key.point); ok && last >= newest {
				found, newest = &l.Points[i], last
			}
		}
		if found != nil || start < math.MinInt64+2*window {
			return found, nil
		}
		start = windowOf(start - 1)
	}
	return nil, nil
}

// putMeant puts down what a point meant on a part of a day, if that is not what is known already.
func putMeant(tx *bbolt.Tx, m *meant) error {
	all := meaningsOf(tx, m.key)
	now := meantAt(all, m.first)
	if now == nil && (m.before == nil || sameMeaning(m.before, m.point)) {
		return nil // as far as is known it never was anything else
	}
	b, err := tx.CreateBucketIfNotExists(bucketMeanings)
	if err != nil {
		return err
	}
	put := func(at int64, p *fleet.Point) error {
		key := coarseKey(at, m.key)
		r := meaning{at, *p}
		return b.Put(key, seal(key, r.encode()))
	}
	if now == nil {
		if err := put(math.MinInt64, m.before); err != nil {
			return err
		}
		all = meaningsOf(tx, m.key)
		now = meantAt(all, m.first)
	}
	if sameMeaning(&now.point, m.point) && sameMeaning(&meantAt(all, m.end-1).point, m.point) {
		return nil
	}
	for _, old := range all {
		if old.at >= m.first && old.at < m.end {
			if err := b.Delete(coarseKey(old.at, m.key)); err != nil {
				return err
			}
		}
	}
	if after := meantAt(all, m.end); lastKept(tx, m.key) > m.end { // it comes late: what was there goes on after it
		if err := put(m.end, &after.point); err != nil {
			return err
		}
	}
	return put(m.first, m.point)
}

// Meant returns what the rollups of a point in a span of time are of: a point like p, which is how it was described last, but
// with the quantity and unit that its map gave it at the time of each. It is exact for changes of the map since the store
// notes them down; of older ones nothing is known, and the answer is p.
func (s *Store) Meant(ctx context.Context, id fleet.ControllerID, p fleet.Point, to time.Time) (func(r *Rollup) fleet.Point, error) {
	layouts, err := s.allLayouts()
	if err != nil || !changes(layouts, p.Name) {
		return func(*Rollup) fleet.Point { return p }, explain("asking", s.path, err)
	}
	key := pointKey{string(id), p.Name}
	var known []meaning
	rolled := int64(math.MinInt64) // until when days are rolled up; the rest is read
	err = s.view(func(tx *bbolt.Tx) error {
		known = meaningsOf(tx, key)
		rolled = lastKept(tx, key)
		return nil
	})
	if err != nil {
		return nil, explain("asking", s.path, err)
	}
	from := time.Time{}
	if rolled > math.MinInt64 {
		from = time.Unix(0, rolled)
	}
	if before, err := s.meantBefore(key, rolled); err != nil {
		return nil, explain("asking", s.path, err)
	} else if len(known) == 0 && before != nil {
		known = []meaning{{math.MinInt64, *before}}
	}
	for r, err := range s.Runs(ctx, id, p.Name, from, to) {
		if err != nil {
			return nil, err
		}
		c := curve{}
		c.add(r)
		for _, m := range c.meantOn(key, day{math.MinInt64, math.MaxInt64}) {
			switch last := meantAt(known, math.MaxInt64); {
			case last == nil:
				known = append(known, meaning{math.MinInt64, *m.point})
			case !sameMeaning(&last.point, m.point):
				known = append(known, meaning{m.first, *m.point})
			}
		}
	}
	return func(r *Rollup) fleet.Point {
		meant := p
		if m := meantAt(known, r.End.UnixNano()-1); m != nil {
			meant.Quantity, meant.Unit, meant.Counter = m.point.Quantity, m.point.Unit, m.point.Counter
		}
		return meant
	}, nil
}

// lastKept returns the end of the last day of which rollups of a point are kept.
func lastKept(tx *bbolt.Tx, p pointKey) int64 {
	b := tx.Bucket(bucketCoarse)
	if b == nil {
		return math.MinInt64
	}
	c, prefix := b.Cursor(), p.bytes()
	k, _ := c.Seek(append(bytes.Clone(prefix), bytes.Repeat([]byte{0xff}, 9)...)) // behind all of the point's
	if k == nil {
		k, _ = c.Last()
	} else {
		k, _ = c.Prev()
	}
	if !bytes.HasPrefix(k, prefix) || len(k) != len(prefix)+8 {
		return math.MinInt64
	}
	d, ok := seekKept(b.Cursor(), p, keyNanos(k[len(prefix):]))
	if !ok {
		return math.MinInt64
	}
	return d.end
}
