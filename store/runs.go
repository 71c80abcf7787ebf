package store

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A Run is a stretch of one point's samples in the order of time, column by column: the fast way to read a curve. All
// columns have one length.
type Run struct {
	Point   *fleet.Point // what the values are of, as its map said then; shared, not to be changed
	At      []int64      // nanoseconds since 1970
	Raw     []uint64
	Number  []float64
	Quality []fleet.Quality // any
	texts   map[int]string
}

// Sample returns one sample of the run.
func (r *Run) Sample(i int) Sample {
	v := fleet.Value{Raw: r.Raw[i], Number: r.Number[i], Quality: r.Quality[i], Text: r.texts[i]}
	return Sample{At: time.Unix(0, r.At[i]).UTC(), Value: v, Point: r.Point}
}

func (r *Run) add(at int64, v *fleet.Value) {
	if v.Text != "" {
		r.setText(len(r.At), v.Text)
	}
	r.At, r.Raw = append(r.At, at), append(r.Raw, v.Raw)
	r.Number, r.Quality = append(r.Number, v.Number), append(r.Quality, v.Quality)
}

func (r *Run) setText(i int, text string) {
	if r.texts == nil {
		r.texts = make(map[int]string)
	}
	r.texts[i] = text
}

// Runs gives a point's samples at or after from and before to in the order of time, a stretch of some hours at a time,
// which is valid until the next one, the last one until the
// loop ends. An error ends it, and comes with no run.
func (s *Store) Runs(ctx context.Context, id fleet.ControllerID, point string, from, to time.Time) iter.Seq2[*Run, error] {
	return func(yield func(*Run, error) bool) {
		for r, err := range s.runsOf(ctx, id, []string{point}, from, to) {
			if !yield(r.Run, err) {
				return
			}
		}
	}
}

// A pointRun is a run of one of several points.
type pointRun struct {
	*Run
	place int // of the point among those that were asked for
}

// runsOf is Runs for several points of a controller, each of them named once: it goes over the journal and each chunk once
// for all. Of every stretch come the runs of the first point, then those of the next.
func (s *Store) runsOf(ctx context.Context, id fleet.ControllerID, points []string, from, to time.Time) iter.Seq2[pointRun, error] {
	return func(yield func(pointRun, error) bool) {
		first, last := limits(from, to)
		l, _ := s.loaders.Get().(*runLoader)
		if l == nil {
			l = &runLoader{s: s}
		}
		defer s.loaders.Put(l)
		l.begin(id, points)
		for {
			start, ok, err := l.next(ctx, first, last)
			if err != nil {
				yield(pointRun{}, explain("reading "+strings.Join(points, ", ")+" from", s.path, err))
				return
			}
			if !ok {
				return
			}
			for place := range points {
				for _, r := range l.merged(place) {
					if len(r.At) > 0 && !yield(pointRun{r, place}, nil) {
						return
					}
				}
			}
			if windowEnd(start) >= last {
				return
			}
			first = windowEnd(start) + 1
		}
	}
}

// merged returns the parts of a point in the order of time.
func (l *runLoader) merged(place int) []*Run {
	parts := make([]*part, 0, len(l.parts))
	for i := range l.parts {
		if l.parts[i].place == place && len(l.parts[i].At) > 0 {
			parts = append(parts, &l.parts[i])
		}
	}
	asLoaded := slices.Clone(parts)
	slices.SortStableFunc(parts, func(a, b *part) int { return cmp.Compare(a.At[0], b.At[0]) })
	runs := make([]*Run, len(parts))
	for i, p := range parts {
		if i > 0 && parts[i-1].At[len(parts[i-1].At)-1] >= p.At[0] {
			return interleave(asLoaded)
		}
		runs[i] = &p.Run
	}
	return runs
}

// interleave merges parts that overlap. Of two samples of one poll group and instant the first part's stands.
func interleave(parts []*part) []*Run {
	type place struct {
		at        int64
		part, row int
	}
	var places []place
	for i := range parts {
		for j, at := range parts[i].At {
			places = append(places, place{at, i, j})
		}
	}
	group := func(p place) fleet.Group { return parts[p.part].group }
	slices.SortStableFunc(places, func(a, b place) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(group(a), group(b)))
	})
	places = slices.CompactFunc(places, func(a, b place) bool { return a.at == b.at && group(a) == group(b) })
	var runs []*Run
	for _, p := range places {
		from := parts[p.part]
		if len(runs) == 0 || runs[len(runs)-1].Point != from.Point {
			runs = append(runs, &Run{Point: from.Point})
		}
		v := from.Sample(p.row).Value
		runs[len(runs)-1].add(p.at, &v)
	}
	return runs
}
