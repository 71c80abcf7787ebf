package store_test

import (
	"math"
	"slices"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// plainRollups makes the rollups of a point from a plain list of frames, as FORMAT.md says it, one bucket after the
// other.
func plainRollups(frames []fleet.Frame, point int, r store.Resolution, zone *time.Location) []store.Rollup {
	frames = slices.Clone(frames)
	sortFrames(frames)
	var out []store.Rollup
	midnight := func(t time.Time, days int) time.Time {
		y, m, d := t.In(zone).Date()
		return time.Date(y, m, d+days, 0, 0, 0, 0, zone)
	}
	for day := midnight(frames[0].At, -1); day.Before(frames[len(frames)-1].At.Add(48 * time.Hour)); day = midnight(day, 1) {
		next := midnight(day, 1)
		var near []fleet.Frame
		for _, f := range frames {
			if !f.At.Before(day.Add(-time.Hour)) && f.At.Before(next.Add(time.Hour)) {
				near = append(near, f)
			}
		}
		length := map[store.Resolution]time.Duration{store.FiveMinutes: 5 * time.Minute, store.Hour: time.Hour, store.Day: next.Sub(day)}[r]
		for start := day; start.Before(next); start = start.Add(length) {
			end := start.Add(length)
			if end.After(next) {
				end = next
			}
			o := store.Rollup{Start: start.UTC(), End: end.UTC()}
			if plainRollup(&o, near, point); o.Count > 0 || o.Covered > 0 {
				out = append(out, o)
			}
		}
	}
	return out
}

func plainRollup(o *store.Rollup, near []fleet.Frame, point int) {
	var steps []time.Duration
	for i := 1; i < len(near); i++ {
		steps = append(steps, near[i].At.Sub(near[i-1].At))
	}
	slices.Sort(steps)
	gap := time.Duration(0)
	if len(steps) > 0 {
		gap = 3 * steps[len(steps)/2]
	}
	var before *fleet.Frame
	sum := 0.0
	for i := range near {
		f := &near[i]
		p, v := &f.Layout.Points[point], f.Values[point]
		if v.Quality != fleet.Good || math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
			continue
		}
		if !f.At.Before(o.Start) && f.At.Before(o.End) {
			o.Count++
			o.Last = v.Number
			if p.Quantity != fleet.QuantityStage {
				if o.Count == 1 || v.Number < o.Min {
					o.Min = v.Number
				}
				if o.Count == 1 || v.Number > o.Max {
					o.Max = v.Number
				}
				sum += v.Number
			}
		}
		if before != nil {
			plainJoin(o, before, f, point, gap)
		}
		before = f
	}
	if o.Count > 0 {
		o.Mean = math.Round(sum/float64(o.Count)*1000)/1000 + 0 // no minus zero
		if math.Abs(sum/float64(o.Count)*1000) >= 1<<53 {
			o.Mean = sum / float64(o.Count)
		}
	}
	o.Total = math.Round(o.Total*10)/10 + 0
}

// plainJoin adds what lies between two good samples.
func plainJoin(o *store.Rollup, a, b *fleet.Frame, point int, gap time.Duration) {
	p, va, vb := &a.Layout.Points[point], a.Values[point], b.Values[point]
	if p.Counter && !b.At.Before(o.Start) && b.At.Before(o.End) {
		switch {
		case vb.Raw >= va.Raw:
			o.Total += float64(vb.Raw-va.Raw) * 100
		case va.Raw >= 65535-4095 && vb.Raw <= 4095: // a wrap of 16 bits
			o.Total += float64(65536-va.Raw+vb.Raw) * 100
		default:
			o.Total += float64(vb.Raw) * 100
		}
	}
	if b.At.Sub(a.At) > gap {
		return
	}
	from, to := a.At, b.At
	if from.Before(o.Start) {
		from = o.Start
	}
	if to.After(o.End) {
		to = o.End
	}
	if !from.Before(to) {
		return
	}
	o.Covered += to.Sub(from)
	if p.Quantity == fleet.QuantityStage {
		o.Stages[int(va.Number)] += to.Sub(from)
	}
	if p.Unit == fleet.Watt {
		slope := (vb.Number - va.Number) / float64(b.At.Sub(a.At))
		at := func(t time.Time) float64 { return va.Number + slope*float64(t.Sub(a.At)) }
		o.Total += (at(from) + at(to)) / 2 * to.Sub(from).Seconds()
	}
}
