// Package export writes what a store keeps as tables that other programs read: CSV (RFC 4180, UTF-8, with a line of
// headings) and Parquet. EXPORT.md beside this file describes the columns.
//
// A table is long: a row is one value of one point at one instant, or one rollup of one point, so that controllers with
// different maps go into one table. Rows of raw values come in the order of time; rollups come point by point.
//
// It holds a bounded number of rows in memory, whatever the period, and no transaction of the store while it writes.
package export

import (
	"context"
	"fmt"
	"io"
	"iter"
	"slices"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// Source is what an export reads; a [store.Store] is one.
type Source interface {
	Frames(ctx context.Context, q store.Query) iter.Seq2[fleet.Frame, error]
	Rollups(ctx context.Context, id fleet.ControllerID, point string, r store.Resolution, from, to time.Time) iter.Seq2[store.Rollup, error]
	Points(ctx context.Context, id fleet.ControllerID, from, to time.Time) ([]fleet.Point, error)
	Meant(ctx context.Context, id fleet.ControllerID, p fleet.Point, to time.Time) (func(r *store.Rollup) fleet.Point, error)
	Stat() (store.Stat, error)
}

// Format is a kind of file.
type Format string

// The formats.
const (
	CSV     Format = "csv"
	Parquet Format = "parquet"
)

// Formats lists every format, for help texts.
var Formats = []Format{CSV, Parquet}

// A Query says what is wanted.
type Query struct {
	Format      Format
	Controllers []fleet.ControllerID // at least one for rollups; nil: all that are stored
	Points      []string             // names of points, or quantities; nil: all
	From, To    time.Time            // at or after From and before To; zero: no limit
	// Rollups asks for rollups of this resolution instead of raw values; nil: raw.
	Rollups *store.Resolution
}

// wants reports whether a point is asked for.
func (q *Query) wants(p *fleet.Point) bool {
	return q.Points == nil || slices.Contains(q.Points, p.Name) ||
		p.Quantity != fleet.QuantityNone && slices.Contains(q.Points, p.Quantity.String())
}

// Write writes the table to w and returns how many rows it has. The progress is in seconds of time that the rows have
// reached, and of that of all; for rollups, of all controllers together. Where an error ends it, what was written is no
// whole table.
func Write(ctx context.Context, w io.Writer, s Source, q Query, p store.Progress) (rows int64, err error) {
	progress, err := newReach(s, &q, p)
	switch {
	case err != nil:
		return 0, err
	case q.Format != CSV && q.Format != Parquet:
		return 0, fmt.Errorf("unknown format %q; known are csv and parquet", q.Format)
	case q.Rollups == nil:
		return write(w, q.Format, rawColumns, rawRows(ctx, s, q, progress))
	}
	return write(w, q.Format, rollupColumns, rollupRows(ctx, s, q, progress))
}

// A reach tells how far an export is.
type reach struct {
	p           store.Progress
	from, span  int64   // seconds
	done, whole float64 // of the parts before the one at hand, and of one
	all         float64
}

func newReach(s Source, q *Query, p store.Progress) (*reach, error) {
	if p == nil {
		return nil, nil
	}
	st, err := s.Stat()
	if err != nil {
		return nil, err
	}
	from, to := st.Oldest, st.Newest
	if q.From.After(from) {
		from = q.From
	}
	if !q.To.IsZero() && q.To.Before(to) {
		to = q.To
	}
	return &reach{p: p, from: from.Unix(), span: max(to.Unix()-from.Unix(), 1), whole: 1, all: 1}, nil
}

// part says that it comes to a point of a controller.
func (r *reach) part(controller, controllers, point, points int) {
	if r != nil {
		r.all, r.whole = float64(controllers), 1/float64(points)
		r.done = float64(controller) + float64(point)*r.whole
	}
}

// at says which instant it has reached.
func (r *reach) at(t time.Time) {
	if r == nil {
		return
	}
	share := float64(min(max(t.Unix()-r.from, 0), r.span)) / float64(r.span)
	r.p(int64((r.done+share*r.whole)*float64(r.span)), int64(r.all*float64(r.span)))
}

// write writes rows until they end or one comes with an error.
func write[R any](w io.Writer, f Format, columns []column[R], rows iter.Seq2[*R, error]) (n int64, err error) {
	t := newTable(w, f, columns)
	for row, err := range rows {
		if err != nil {
			return n, err
		}
		if err := t.put(row); err != nil {
			return n, fmt.Errorf("writing the export: %w", err)
		}
		n++
	}
	if err := t.close(); err != nil {
		return n, fmt.Errorf("writing the export: %w", err)
	}
	return n, nil
}

// rawRows gives one row for each value that is asked for. A row is valid until the next one.
func rawRows(ctx context.Context, s Source, q Query, progress *reach) iter.Seq2[*Raw, error] {
	return func(yield func(*Raw, error) bool) {
		var row Raw
		for f, err := range s.Frames(ctx, store.Query{Controllers: q.Controllers, From: q.From, To: q.To}) {
			if err != nil {
				yield(nil, err)
				return
			}
			progress.at(f.At)
			if f.Layout == nil {
				continue
			}
			for i := range f.Values {
				if !q.wants(&f.Layout.Points[i]) {
					continue
				}
				row.set(&f, i)
				if !yield(&row, nil) {
					return
				}
			}
		}
	}
}

// rollupRows gives one row for each bucket, point by point.
func rollupRows(ctx context.Context, s Source, q Query, progress *reach) iter.Seq2[*Rollup, error] {
	return func(yield func(*Rollup, error) bool) {
		var row Rollup
		for c, id := range q.Controllers {
			points, err := pointsOf(ctx, s, &q, id)
			if err != nil {
				yield(nil, err)
				return
			}
			for i := range points {
				progress.part(c, len(q.Controllers), i, len(points))
				meant, err := s.Meant(ctx, id, points[i], q.To)
				if err != nil {
					yield(nil, err)
					return
				}
				for r, err := range s.Rollups(ctx, id, points[i].Name, *q.Rollups, q.From, q.To) {
					if err != nil {
						yield(nil, err)
						return
					}
					progress.at(r.Start)
					p := meant(&r)
					row.set(id, &p, &r)
					if !yield(&row, nil) {
						return
					}
				}
			}
		}
	}
}

// pointsOf returns the points that a controller had in the period and that are asked for.
func pointsOf(ctx context.Context, s Source, q *Query, id fleet.ControllerID) ([]fleet.Point, error) {
	points, err := s.Points(ctx, id, q.From, q.To)
	return slices.DeleteFunc(points, func(p fleet.Point) bool { return !q.wants(&p) }), err
}
