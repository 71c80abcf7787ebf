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

// A curve is the samples of a point of a day and a little around it, as the rollups need them. What the point is may
// change with the map in between.
type curve struct {
	At      []int64
	Raw     []uint64
	Number  []float64
	Quality []fleet.Quality

	pieces  []piece
	restart []restart // of the controller; for counters alone
}

// A piece is a part of a curve in which the point was coded in one way.
type piece struct {
	end     int // the sample after its last one
	point   *fleet.Point
	meaning int // the same for those whose numbers are of the same quantity
}

// add appends what one run has; texts have no rollups.
func (c *curve) add(r *Run) {
	if r.Point.Form == fleet.FormText || len(r.At) == 0 {
		return
	}
	c.At, c.Raw = append(c.At, r.At...), append(c.Raw, r.Raw...)
	c.Number, c.Quality = append(c.Number, r.Number...), append(c.Quality, r.Quality...)
	meaning := 0
	if n := len(c.pieces); n > 0 {
		last := &c.pieces[n-1]
		if sameCoding(last.point, r.Point) {
			last.end = len(c.At)
			return
		}
		if meaning = last.meaning; !sameMeaning(last.point, r.Point) {
			meaning++
		}
	}
	c.pieces = append(c.pieces, piece{len(c.At), r.Point, meaning})
}

// make makes room for the samples that come up to an instant, if they go on as those of a run do.
func (c *curve) make(r *Run, last int64) {
	n := len(r.At)
	if c.At != nil || n < 2 || r.At[n-1] <= r.At[0] {
		return
	}
	expected := float64(last-r.At[0]) / float64(r.At[n-1]-r.At[0]) * float64(n-1)
	room := max(n, int(min(expected, mostRoom))+2)
	c.At, c.Raw, c.Number, c.Quality = make([]int64, 0, room), make([]uint64, 0, room), make([]float64, 0, room), make([]fleet.Quality, 0, room)
}

// mostRoom bounds what is made for samples that may not come: those of a day of two each second.
const mostRoom = 200_000

// sameMeaning reports whether the numbers of two points can stand in one sum.
func sameMeaning(a, b *fleet.Point) bool {
	return a.Quantity == b.Quantity && a.Unit == b.Unit && a.Counter == b.Counter
}

// sameCoding reports whether the registers' integers of two points stand for the same, too.
func sameCoding(a, b *fleet.Point) bool {
	return a == b || sameMeaning(a, b) && a.Form == b.Form && a.Bits == b.Bits && a.ScaledBy == b.ScaledBy &&
		a.Mul == b.Mul && a.Div == b.Div && a.Add == b.Add
}

// piece returns the number of the piece that a sample belongs to.
func (c *curve) piece(i int) int {
	if n := len(c.pieces); n == 1 || i < c.pieces[0].end {
		return 0
	}
	p, _ := slices.BinarySearchFunc(c.pieces, i, func(p piece, i int) int {
		if p.end <= i {
			return -1
		}
		return 1
	})
	return p
}

// point returns what a sample is of.
func (c *curve) point(i int) *fleet.Point { return c.pieces[c.piece(i)].point }

// good reports whether a sample has a number that counts.
func (c *curve) good(i int) bool {
	return c.Quality[i] == fleet.Good && !math.IsNaN(c.Number[i]) && !math.IsInf(c.Number[i], 0)
}

// dayCurve reads a point's samples of a day and a little around it.
func (s *Store) dayCurve(ctx context.Context, id fleet.ControllerID, point string, d day) (*curve, error) {
	curves, err := s.dayCurves(ctx, id, []string{point}, d)
	if err != nil {
		return nil, err
	}
	return curves[0], nil
}

// dayCurves reads the samples of several points of a day and a little around it: one curve for each, in their order.
func (s *Store) dayCurves(ctx context.Context, id fleet.ControllerID, points []string, d day) ([]*curve, error) {
	if len(points) == 0 {
		return nil, nil
	}
	curves := make([]*curve, len(points))
	for i := range curves {
		curves[i] = new(curve)
	}
	last, err := s.lastOf(d)
	if err != nil {
		return nil, err
	}
	for r, err := range s.runsOf(ctx, id, points, time.Unix(0, d.start-around), time.Unix(0, d.end+around)) {
		if err != nil {
			return nil, err
		}
		curves[r.place].make(r.Run, last)
		curves[r.place].add(r.Run)
	}
	return curves, nil
}

// lastOf returns the last instant that may have samples of a day or of what is around it, as far as the journal's end tells.
func (s *Store) lastOf(d day) (last int64, err error) {
	last = d.end + around
	err = s.view(func(tx *bbolt.Tx) error {
		if k, _ := tx.Bucket(bucketJournal).Cursor().Last(); len(k) == journalKeySize {
			last = min(last, keyNanos(k))
		}
		return nil
	})
	return last, err
}

// restarts finds when a controller started anew in a day or a little around it: by all points that ever told an uptime.
func (s *Store) restarts(ctx context.Context, id fleet.ControllerID, d day) ([]restart, error) {
	layouts, err := s.allLayouts()
	if err != nil {
		return nil, err
	}
	curves, err := s.dayCurves(ctx, id, uptimes(layouts), d)
	return restartsOf(curves), err
}

// restartsOf finds them in the curves of those points.
func restartsOf(uptimes []*curve) []restart {
	var all []restart
	for _, c := range uptimes {
		all = append(all, c.restarts()...)
	}
	slices.SortFunc(all, func(a, b restart) int { return int(min(max(a.from-b.from, -1), 1)) })
	return all
}

// uptimes returns the names of all points that are an uptime in any layout, of which there is rarely more than one.
func uptimes(layouts []*fleet.Layout) []string {
	var names []string
	for _, l := range layouts {
		if i, ok := l.Index(fleet.Uptime); ok && !slices.Contains(names, l.Points[i].Name) {
			names = append(names, l.Points[i].Name)
		}
	}
	slices.Sort(names)
	return names
}

// counted reports whether any of some points is a counter in any layout.
func counted(layouts []*fleet.Layout, points []string) bool {
	return slices.ContainsFunc(layouts, func(l *fleet.Layout) bool {
		return slices.ContainsFunc(points, func(name string) bool {
			i, ok := l.Named(name)
			return ok && l.Points[i].Counter
		})
	})
}

// allLayouts returns every layout that can be read.
func (s *Store) allLayouts() ([]*fleet.Layout, error) {
	var ids []layoutID
	err := s.view(func(tx *bbolt.Tx) error {
		c := tx.Bucket(bucketLayouts).Cursor()
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			var id layoutID
			if copy(id[:], k); bytes.Equal(id[:], k) {
				ids = append(ids, id)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var layouts []*fleet.Layout
	for _, id := range ids {
		if l, err := s.layout(id); err == nil { // whoever reads what it is of counts it
			layouts = append(layouts, l)
		}
	}
	return layouts, nil
}
