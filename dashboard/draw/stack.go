package draw

import (
	"math"
	"strconv"
)

// tones is how many series are told apart by tone and pattern before they repeat.
const tones = 6

// A layer is one series of a stack: the height of its upper edge in each pixel column, and whether it has data there.
type layer struct {
	tops  []float64
	known []bool
}

// stack lays the series upon each other. In a column the readings' mean counts, since the area is energy; between two
// readings that no gap parts it is drawn straight.
func stack(p *plot, lines []Series) []layer {
	n := max(1, int(p.right-p.left))
	out := make([]layer, len(lines))
	below := make([]float64, n)
	for i := range lines {
		l := layer{tops: make([]float64, n), known: make([]bool, n)}
		lines[i].means(p, l)
		for k := range l.tops {
			below[k] += max(0, l.tops[k])
			l.tops[k] = below[k]
		}
		out[i] = l
	}
	return out
}

// means fills a layer with the mean of each column.
func (s *Series) means(p *plot, l layer) {
	counts := make([]int, len(l.tops))
	gap := s.gap()
	half := (p.right - p.left) * gap.Seconds() / 6 / p.to.Sub(p.from).Seconds()
	var before *Point
	alone := func(pt *Point, from, to float64) { l.hold(pt.Value, p.x(pt.At)-p.left+from, p.x(pt.At)-p.left+to) }
	for i := range s.Points {
		pt := &s.Points[i]
		if before != nil && pt.At.Before(before.At) {
			continue
		}
		if !finite(pt.Value) {
			if before != nil {
				alone(before, 0, half)
			}
			before = nil
			continue
		}
		switch {
		case before != nil && pt.At.Sub(before.At) <= gap:
			l.bridge(p, before, pt)
		case before != nil:
			alone(before, 0, half)
			fallthrough
		default:
			alone(pt, -half, 0)
		}
		before = pt
		k := int(math.Floor(p.x(pt.At) - p.left))
		if k < 0 || k >= len(l.tops) {
			continue
		}
		counts[k]++
		v := max(-huge, min(huge, pt.Value))
		if counts[k] == 1 {
			l.tops[k] = 0
		}
		l.tops[k] += (v - l.tops[k]) / float64(counts[k])
		l.known[k] = true
	}
	if before != nil {
		alone(before, 0, half)
	}
}

// hold draws a reading at the edge of a gap for half the usual distance of readings: it stands for that long.
func (l layer) hold(v, from, to float64) {
	for k := max(0, int(math.Floor(from))); k < len(l.tops) && float64(k) < to; k++ {
		if !l.known[k] {
			l.tops[k], l.known[k] = max(-huge, min(huge, v)), true
		}
	}
}

// bridge draws straight through the columns between two readings.
func (l layer) bridge(p *plot, a, b *Point) {
	xa, xb := p.x(a.At)-p.left, p.x(b.At)-p.left
	va, vb := max(-huge, min(huge, a.Value)), max(-huge, min(huge, b.Value))
	for k := max(0, int(math.Floor(xa))+1); k < len(l.tops) && float64(k) < math.Floor(xb); k++ {
		l.tops[k] = va + (vb-va)*(float64(k)+0.5-xa)/(xb-xa)
		l.known[k] = true
	}
}

// stacked draws the layers from the highest to the lowest: each covers what is above its own top.
func (c *canvas) stacked(p *plot, ch *Chart, layers []layer) {
	if len(layers) == 0 {
		c.hatch(p, p.left, p.x(ch.now()))
		return
	}
	end := int(p.within(p.x(ch.now())) - p.left)
	for _, s := range unknown(layers, end) {
		c.missing(p, ch, span{p.left + s.from, p.left + s.to}, p.left+float64(end))
	}
	for i := len(layers) - 1; i >= 0; i-- {
		var d pen
		tops := layers[i].tops
		for from := 0; from < len(tops); {
			to := from
			for to < len(tops) && anyKnown(layers, to) {
				to++
			}
			if to > from {
				outline(&d, p, tops, from, to)
			}
			from = to + 1
		}
		c.series("dr-area dr-s"+strconv.Itoa(1+i%tones), &ch.Lines[i], d.b, "fill", c.url("tone"+strconv.Itoa(i%tones)))
	}
}

// outline draws the area below the tops of the columns [from, to).
func outline(d *pen, p *plot, tops []float64, from, to int) {
	d.lift()
	zero := p.y(0)
	d.to(p.left+float64(from), zero)
	d.to(p.left+float64(from), p.y(tops[from]))
	for k := from; k < to; k++ {
		d.to(p.left+float64(k)+0.5, p.y(tops[k]))
	}
	d.to(p.left+float64(to), p.y(tops[to-1]))
	d.to(p.left+float64(to), zero)
	d.b = append(d.b, 'z')
}

func anyKnown(layers []layer, k int) bool {
	for i := range layers {
		if layers[i].known[k] {
			return true
		}
	}
	return false
}

// unknown returns the columns before end in which some series has no data: then the sum is not known.
func unknown(layers []layer, end int) []span {
	var out []span
	from := -1
	for k := 0; k <= end; k++ {
		missing := false
		for i := range layers {
			missing = missing || k < end && k < len(layers[i].known) && !layers[i].known[k]
		}
		switch {
		case missing && from < 0:
			from = k
		case !missing && from >= 0:
			out = append(out, span{float64(from), float64(k)})
			from = -1
		}
	}
	return out
}

// tones defines the patterns of stacked areas: each has a tone of its own and lines or dots of its own.
func (c *canvas) tones(n int) {
	for i := range min(n, tones) {
		k := strconv.Itoa(1 + i)
		c.start("pattern", "id", c.id+"-tone"+strconv.Itoa(i), "width", "8", "height", "8", "patternUnits", "userSpaceOnUse")
		c.rect("dr-fill dr-s"+k, 0, 0, 8, 8)
		switch i {
		case 1:
			c.path("dr-texture dr-s"+k, "M0 8L8 0M-2 2L2 -2M6 10L10 6")
		case 2:
			c.path("dr-texture dr-s"+k, "M0 2H8M0 6H8")
		case 3:
			c.path("dr-texture dr-s"+k, "M2 0V8M6 0V8")
		case 4:
			c.path("dr-texture dr-s"+k, "M2 2h.01M6 6h.01")
		case 5:
			c.path("dr-texture dr-s"+k, "M0 0L8 8M0 8L8 0")
		}
		c.end()
	}
}
