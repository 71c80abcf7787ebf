package draw

import (
	"math"
	"slices"
	"strconv"
	"time"
)

// A Point is one reading of a series, or one bucket of rollups at its middle.
type Point struct {
	At    time.Time
	Value float64 // NaN: no data at this instant
	// Low and High are the bucket's least and greatest reading; used where the series has Band set.
	Low, High float64
}

// A Series is one quantity over time. Points must be in the order of time; those that are not are left out.
type Series struct {
	Name string
	Unit string // as people read it, as in "V"
	// Every is how far apart points normally are. More than three times that is a gap, which is not bridged. 0: the
	// usual distance of these points.
	Every  time.Duration
	Band   bool // the points carry Low and High: rollups
	Points []Point
	State  State // Calm: a muted tone; an alarm's state makes the line stand out
}

func (s *Series) gap() time.Duration {
	if s.Every > 0 {
		return 3 * s.Every
	}
	var usual []time.Duration
	stride := max(1, len(s.Points)/64)
	for i := stride; i < len(s.Points); i += stride {
		usual = append(usual, s.Points[i].At.Sub(s.Points[i-1].At))
	}
	if len(usual) == 0 {
		return math.MaxInt64
	}
	slices.Sort(usual)
	return 3 * max(usual[len(usual)/2], time.Millisecond)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// spread returns the least and greatest value within the plot's span.
func (s *Series) spread(p *plot) (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range s.Points {
		pt := &s.Points[i]
		if !finite(pt.Value) || pt.At.Before(p.from) || pt.At.After(p.to) {
			continue
		}
		low, high = min(low, pt.Value), max(high, pt.Value)
		if s.Band && finite(pt.Low) && finite(pt.High) {
			low, high = min(low, pt.Low), max(high, pt.High)
		}
	}
	return low, high, low <= high
}

// A spot is a place of a line: where, and between which extremes if it stands for many readings.
type spot struct {
	x, value  float64
	low, high float64
}

// A run is an unbroken piece of a line.
type run []spot

// runs cuts the series at its gaps and thins each piece: of the points in one pixel column the least and the greatest
// stay, in the order in which they came.
func (s *Series) runs(p *plot) []run {
	var out []run
	var now run
	var cell thin
	gap := s.gap()
	var last time.Time
	flush := func() {
		if now = cell.empty(now); len(now) > 0 {
			out, now = append(out, now), nil
		}
	}
	for i := range s.Points {
		pt := &s.Points[i]
		switch {
		case pt.At.Before(p.from) || pt.At.After(p.to) || i > 0 && pt.At.Before(last):
			continue
		case !finite(pt.Value):
			flush()
			continue
		case !last.IsZero() && pt.At.Sub(last) > gap:
			flush()
		}
		last = pt.At
		sp := spot{x: p.x(pt.At), value: pt.Value, low: pt.Value, high: pt.Value}
		if s.Band && finite(pt.Low) && finite(pt.High) {
			sp.low, sp.high = pt.Low, pt.High
		}
		if !cell.holds(sp) {
			now = cell.empty(now)
		}
		cell.add(sp)
	}
	flush()
	return out
}

// thin gathers the spots of one pixel column.
type thin struct {
	column    float64
	n         int
	min, max  spot
	low, high float64
}

func (t *thin) holds(s spot) bool { return t.n == 0 || t.column == math.Floor(s.x) }

func (t *thin) add(s spot) {
	if t.n == 0 {
		*t = thin{column: math.Floor(s.x), min: s, max: s, low: s.low, high: s.high}
	}
	t.n++
	if s.value < t.min.value {
		t.min = s
	}
	if s.value > t.max.value {
		t.max = s
	}
	t.low, t.high = min(t.low, s.low), max(t.high, s.high)
}

// empty appends the column's spots to the run and starts anew.
func (t *thin) empty(r run) run {
	a, b := t.min, t.max
	if a.x > b.x {
		a, b = b, a
	}
	a.low, a.high, b.low, b.high = t.low, t.high, t.low, t.high
	switch {
	case t.n == 0:
	case t.n == 1 || a == b:
		r = append(r, a)
	default:
		r = append(r, a, b)
	}
	t.n = 0
	return r
}

// A pen writes a path in steps of a tenth of a pixel, each relative to the one before, without adding up errors.
type pen struct {
	b    []byte
	x, y int
	down bool
}

func tenth(v float64) int { return int(math.Round(10 * min(max(v, -limit), limit))) }

// lift makes the next place the start of a new piece.
func (p *pen) lift() { p.down = false }

func (p *pen) to(x, y float64) {
	tx, ty := tenth(x), tenth(y)
	dx, dy := tx, ty
	if p.down {
		dx, dy = tx-p.x, ty-p.y
	} else {
		p.b = append(p.b, 'M')
	}
	p.b = tenths(p.b, dx)
	if dy >= 0 {
		p.b = append(p.b, ' ')
	}
	p.b = tenths(p.b, dy)
	if !p.down {
		p.b = append(p.b, 'l')
	} else {
		p.b = append(p.b, ' ')
	}
	p.x, p.y, p.down = tx, ty, true
}

func tenths(b []byte, n int) []byte {
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	if n >= 10 || n == 0 {
		b = strconv.AppendInt(b, int64(n/10), 10)
	}
	if n%10 != 0 {
		b = append(b, '.', byte('0'+n%10))
	}
	return b
}
