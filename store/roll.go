package store

import (
	"math"
	"slices"
	"time"

	"ringwarden/fleet"
)

// gapPeriods is how many poll periods two samples may lie apart and still be joined: a longer gap is a gap, and shows
// as missing coverage (IEC 61724-1: missing data are reported, never silently zero).
const gapPeriods = 3

// around is how far beyond a day its rollups look for the samples that its borders lie between.
const around = int64(time.Hour)

// period returns the median distance of the samples, good or not: how often the point is asked for.
func (c *curve) period() int64 {
	if len(c.At) < 2 {
		return 0
	}
	if step, ok := c.usualStep(); ok {
		return step
	}
	steps := make([]int64, len(c.At)-1)
	for i := range steps {
		steps[i] = c.At[i+1] - c.At[i]
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// usualStep returns the distance that more than half of the samples have, and false if there is none: that is the median then,
// without sorting them all. If there is one, it is the vote that is left when unlike ones have cancelled each other out
// (Boyer and Moore, "MJRTY: a fast majority vote algorithm", 1991).
func (c *curve) usualStep() (step int64, ok bool) {
	votes, n := 0, 0
	for i := 1; i < len(c.At); i++ {
		switch d := c.At[i] - c.At[i-1]; {
		case votes == 0:
			step, votes = d, 1
		case d == step:
			votes++
		default:
			votes--
		}
	}
	for i := 1; i < len(c.At); i++ {
		if c.At[i]-c.At[i-1] == step {
			n++
		}
	}
	return step, n > (len(c.At)-1)/2
}

// roll returns the buckets of a day that have something in them. The curve may reach beyond the day: what joins a
// sample inside to one outside is split at the border. gap is how long what lies between two samples may be.
//
// Where the point is coded otherwise from some sample on, nothing is joined over that; where it means something else, a
// bucket that has both knows the later alone.
func (c *curve) roll(d day, r Resolution, gap int64) []Rollup {
	if len(c.pieces) == 0 {
		return nil
	}
	b := roller{c: c, d: d, length: r.length(d), out: d.buckets(r), gap: gap}
	b.meaning = make([]int, len(b.out))
	last := -1
	for i := range c.At {
		if !c.good(i) {
			continue
		}
		b.p = &c.pieces[c.piece(i)]
		b.sample(i)
		if last >= 0 && c.piece(last) == c.piece(i) {
			b.join(last, i)
		}
		last = i
	}
	return b.finish()
}

// A roller fills the buckets of one day.
type roller struct {
	c       *curve
	d       day
	length  int64
	gap     int64
	out     []Rollup
	meaning []int  // of what is in each
	p       *piece // of the sample at hand
}

// at returns the bucket that holds an instant, nil outside the day. One that has numbers of another meaning is emptied.
func (b *roller) at(t int64) *Rollup {
	if t < b.d.start || t >= b.d.end {
		return nil
	}
	i := (t - b.d.start) / b.length
	o := &b.out[i]
	if b.meaning[i] != b.p.meaning {
		*o, b.meaning[i] = Rollup{Start: o.Start, End: o.End}, b.p.meaning
	}
	return o
}

// sample counts a good sample. Mean holds the sum until finish.
func (b *roller) sample(i int) {
	o, v := b.at(b.c.At[i]), b.c.Number[i]
	if o == nil {
		return
	}
	o.Count++
	o.Last = v
	if b.p.point.Quantity == fleet.QuantityStage {
		return
	}
	if o.Count == 1 || v < o.Min {
		o.Min = v
	}
	if o.Count == 1 || v > o.Max {
		o.Max = v
	}
	o.Mean += v
}

// join adds what lies between two good samples that follow each other.
func (b *roller) join(i, j int) {
	c := b.c
	if b.p.point.Counter {
		if o := b.at(c.At[j]); o != nil {
			o.Total += growth(b.p.point, c.Raw[i], c.Raw[j], between(c.restart, c.At[i], c.At[j]))
		}
	}
	from, to := c.At[i], c.At[j]
	if to-from > b.gap {
		return
	}
	for t := max(from, b.d.start); t < min(to, b.d.end); {
		end := min(to, b.d.end, b.d.start+((t-b.d.start)/b.length+1)*b.length)
		b.piece(b.at(t), i, j, t, end)
		t = end
	}
}

// piece adds the part from t to end, which lies in one bucket, of what lies between two samples.
func (b *roller) piece(o *Rollup, i, j int, t, end int64) {
	c := b.c
	o.Covered += time.Duration(end - t)
	switch {
	case b.p.point.Quantity == fleet.QuantityStage:
		if s := int(c.Number[i]); s >= 0 && s < len(o.Stages) {
			o.Stages[s] += time.Duration(end - t)
		}
	case b.p.point.Unit == fleet.Watt:
		slope := (c.Number[j] - c.Number[i]) / float64(c.At[j]-c.At[i])
		v0 := c.Number[i] + slope*float64(t-c.At[i])
		v1 := c.Number[i] + slope*float64(end-c.At[i])
		o.Total += (v0 + v1) / 2 * (float64(end-t) / 1e9)
	}
}

func (b *roller) finish() []Rollup {
	kept := b.out[:0]
	for _, o := range b.out {
		if o.Count == 0 && o.Covered == 0 {
			continue
		}
		if o.Count > 0 {
			o.Mean = rounded(o.Mean/float64(o.Count), 1000)
		}
		o.Total = rounded(o.Total, 10)
		kept = append(kept, o)
	}
	return kept
}

// rounded rounds to one of so many parts of the base unit: rollups keep means to a thousandth, totals to a tenth, since
// what is behind that would fill the disk and means nothing.
func rounded(v, parts float64) float64 {
	if k := math.Round(v * parts); math.Abs(k) < 1<<53 {
		return k/parts + 0 // no minus zero
	}
	return v
}
