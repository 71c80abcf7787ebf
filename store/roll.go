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

// A curve is what is known of one point, in the order of time, columns of one length.
type curve struct {
	point   *fleet.Point
	at      []int64 // nanoseconds since 1970
	raw     []uint64
	number  []float64
	quality []fleet.Quality
}

func (c *curve) reset() {
	c.point, c.at, c.raw, c.number, c.quality = nil, c.at[:0], c.raw[:0], c.number[:0], c.quality[:0]
}

func (c *curve) add(at int64, v *fleet.Value) {
	c.at, c.raw = append(c.at, at), append(c.raw, v.Raw)
	c.number, c.quality = append(c.number, v.Number), append(c.quality, v.Quality)
}

// period returns the median distance of the samples, good or not: how often the point is asked for.
func (c *curve) period() int64 {
	if len(c.at) < 2 {
		return 0
	}
	steps := make([]int64, len(c.at)-1)
	for i := range steps {
		steps[i] = c.at[i+1] - c.at[i]
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// roll returns the buckets of a day that have something in them. The curve may reach beyond the day: what joins a
// sample inside to one outside is split at the border.
func (c *curve) roll(d day, r Resolution) []Rollup {
	if c.point == nil || c.point.Form == fleet.FormText {
		return nil
	}
	b := roller{c: c, d: d, length: r.length(d), out: d.buckets(r), gap: gapPeriods * c.period()}
	last := -1
	for i := range c.at {
		if c.quality[i] != fleet.Good || math.IsNaN(c.number[i]) || math.IsInf(c.number[i], 0) {
			continue
		}
		b.sample(i)
		if last >= 0 {
			b.join(last, i)
		}
		last = i
	}
	return b.finish()
}

// A roller fills the buckets of one day.
type roller struct {
	c      *curve
	d      day
	length int64
	gap    int64
	out    []Rollup
}

// at returns the bucket that holds an instant, nil outside the day.
func (b *roller) at(t int64) *Rollup {
	if t < b.d.start || t >= b.d.end {
		return nil
	}
	return &b.out[(t-b.d.start)/b.length]
}

// sample counts a good sample. Mean holds the sum until finish.
func (b *roller) sample(i int) {
	o, v := b.at(b.c.at[i]), b.c.number[i]
	if o == nil {
		return
	}
	o.Count++
	o.Last = v
	if b.c.point.Quantity == fleet.QuantityStage {
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
	if c.point.Counter {
		if o := b.at(c.at[j]); o != nil {
			o.Total += growth(c.point, c.raw[i], c.raw[j])
		}
	}
	from, to := c.at[i], c.at[j]
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
	case c.point.Quantity == fleet.QuantityStage:
		if s := int(c.number[i]); s >= 0 && s < len(o.Stages) {
			o.Stages[s] += time.Duration(end - t)
		}
	case c.point.Unit == fleet.Watt:
		slope := (c.number[j] - c.number[i]) / float64(c.at[j]-c.at[i])
		v0 := c.number[i] + slope*float64(t-c.at[i])
		v1 := c.number[i] + slope*float64(end-c.at[i])
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
			o.Mean = thousandth(o.Mean / float64(o.Count))
		}
		o.Total = thousandth(o.Total)
		kept = append(kept, o)
	}
	return kept
}

// thousandth rounds to a thousandth of the base unit, which is what rollups keep of means and totals.
func thousandth(v float64) float64 {
	if k := math.Round(v * 1000); math.Abs(k) < 1<<53 {
		return k/1000 + 0 // no minus zero
	}
	return v
}
