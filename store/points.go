package store

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// Points returns the points with a number that a controller had at or after from and before to, as far as frames of that
// time, or rollups of days that reach into it, are kept: those of its newest frames first, then others by their names. Each
// comes once, as it was described last; where only rollups are left of it, by any map that has a point of that name.
func (s *Store) Points(ctx context.Context, id fleet.ControllerID, from, to time.Time) ([]fleet.Point, error) {
	f := pointFinder{s: s, id: id, at: make(map[string]int64)}
	f.first, f.last = limits(from, to)
	for _, step := range []func(context.Context) error{f.inJournal, f.inChunks, f.inRollups} {
		if err := step(ctx); err != nil {
			return nil, explain("looking for points of "+string(id)+" in", s.path, err)
		}
	}
	newest, err := s.Latest(ctx, id)
	if err != nil {
		return nil, err
	}
	place := make(map[string]int) // in the newest frames, from 1 on
	for i := range newest {
		if newest[i].Layout != nil {
			for j := range newest[i].Layout.Points {
				place[newest[i].Layout.Points[j].Name] = len(place) + 1
			}
		}
	}
	slices.SortFunc(f.points, func(a, b fleet.Point) int {
		pa, pb := cmp.Or(place[a.Name], len(place)+1), cmp.Or(place[b.Name], len(place)+1)
		return cmp.Or(cmp.Compare(pa, pb), cmp.Compare(a.Name, b.Name))
	})
	return f.points, nil
}

// A pointFinder gathers points by their names.
type pointFinder struct {
	s           *Store
	id          fleet.ControllerID
	first, last int64
	points      []fleet.Point
	at          map[string]int64 // when each was described
}

// see takes the points of a layout that was in use at an instant.
func (f *pointFinder) see(l *fleet.Layout, at int64) {
	for i := range l.Points {
		p := &l.Points[i]
		if p.Form == fleet.FormText {
			continue
		}
		before, known := f.at[p.Name]
		switch {
		case !known:
			f.points = append(f.points, *p)
		case at > before:
			f.points[slices.IndexFunc(f.points, func(q fleet.Point) bool { return q.Name == p.Name })] = *p
		default:
			continue
		}
		f.at[p.Name] = at
	}
}

func (f *pointFinder) inJournal(ctx context.Context) error {
	u := unpacker{layout: f.s.layout, only: append([]byte{}, f.id...), recycle: true}
	var frames []fleet.Frame
	var last *fleet.Layout
	for batch, err := range f.s.records(ctx, bucketJournal, appendKeyTime(nil, f.first), keyAfter(f.last)) {
		if err != nil {
			return err
		}
		for len(batch) > 0 {
			n := sameInstant(batch)
			frames, _ = f.s.unpackInstant(&u, frames[:0], batch[:n])
			batch = batch[n:]
			for i := range frames {
				if l := frames[i].Layout; l != nil && l != last {
					f.see(l, frames[i].At.UnixNano())
					last = l
				}
			}
		}
	}
	return nil
}

func (f *pointFinder) inChunks(ctx context.Context) error {
	for next := f.first; next <= f.last; {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		start, ok, err := f.s.nextChunks(next, f.last)
		if err != nil || !ok {
			return err
		}
		layouts := make(map[layoutID]int64)
		if err := f.s.view(func(tx *bbolt.Tx) error { f.ofWindow(tx, start, layouts); return nil }); err != nil {
			return err
		}
		for id, at := range layouts {
			if l, err := f.s.layout(id); err == nil { // whoever reads the chunk counts it
				f.see(l, at)
			}
		}
		if windowEnd(start) >= f.last {
			return nil
		}
		next = windowEnd(start) + 1
	}
	return nil
}

// ofWindow finds the layouts of a window's chunks, and until when each was in use.
func (f *pointFinder) ofWindow(tx *bbolt.Tx, start int64, layouts map[layoutID]int64) {
	prefix := chunkPrefix(start, f.id)
	bucket := chunksOf(tx)
	if bucket == nil {
		return
	}
	c := bucket.Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		key, ok := parseChunkKey(k)
		body, sound := unseal(k, v)
		if !ok || !sound || key.controller != f.id || key.last < f.first || key.first > f.last {
			continue
		}
		if chunk, err := parseChunk(body); err == nil && chunk.valued > 0 {
			layouts[chunk.layout] = max(layouts[chunk.layout], key.last)
		}
	}
}

// inRollups adds the points of which nothing but rollups is left.
func (f *pointFinder) inRollups(context.Context) error {
	var names []string
	err := f.s.view(func(tx *bbolt.Tx) error {
		eachPoint(tx, f.id, func(c *bbolt.Cursor, p pointKey) {
			if d, ok := seekKept(c, p, f.first); ok && d.start <= f.last {
				names = append(names, p.point)
			}
		})
		return nil
	})
	if err != nil {
		return err
	}
	names = slices.DeleteFunc(names, func(name string) bool { _, known := f.at[name]; return known })
	if len(names) == 0 {
		return nil
	}
	layouts, err := f.s.allLayouts()
	for _, name := range names {
		p := fleet.Point{Name: name}
		for _, l := range layouts {
			if i, ok := l.Named(name); ok {
				p = l.Points[i]
			}
		}
		f.points = append(f.points, p)
	}
	return err
}
