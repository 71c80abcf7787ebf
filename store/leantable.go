package store

import (
	"encoding/binary"
	"math"
	"time"
)

// What a lean table says of itself.
const (
	leanMissing = 1 << 0 // some buckets of the day are missing: their starts and lengths stand in columns
	leanNumber  = 1 << 1 // and the bits above: the column of that number is there
	leanStages  = 1 << len(rollupNumbers) << 1
)

// absent returns what a number is where its column is left out.
func (n *rollupNumber) absent(r *Rollup) float64 {
	if n.zero {
		return 0
	}
	return n.after(r)
}

// lean returns the marks of a table.
func lean(d day, res Resolution, rollups []Rollup) (marks byte, stages byte) {
	empty := d.buckets(res)
	if len(empty) != len(rollups) {
		marks |= leanMissing
	}
	for i := range rollups {
		r := &rollups[i]
		if marks&leanMissing == 0 && (!r.Start.Equal(empty[i].Start) || !r.End.Equal(empty[i].End)) {
			marks |= leanMissing
		}
		for k := range rollupNumbers {
			if n := &rollupNumbers[k]; !same(*n.of(r), n.absent(r)) {
				marks |= leanNumber << k
			}
		}
		for s, held := range r.Stages {
			if held > 0 {
				stages |= 1 << s
				marks |= leanStages
			}
		}
	}
	return marks, stages
}

// appendLean appends the rollups of a day in one resolution, less what goes without saying.
func appendLean(dst []byte, d day, res Resolution, rollups []Rollup, k *coder) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(rollups)))
	if len(rollups) == 0 {
		return dst
	}
	marks, stages := lean(d, res, rollups)
	dst = append(dst, marks)
	column := func(transform byte, of func(*Rollup) int64) {
		c := column{transform: transform}
		for i := range rollups {
			c.add(uint64(of(&rollups[i])))
		}
		dst = c.appendTo(dst, k)
	}
	if marks&leanMissing != 0 {
		column(ofSteps, func(r *Rollup) int64 { return r.Start.UnixNano() - d.start })
		column(ofDelta, func(r *Rollup) int64 { return r.End.UnixNano() - r.Start.UnixNano() })
	}
	column(ofDelta, func(r *Rollup) int64 { return int64(r.Count) })
	column(ofPlain, func(r *Rollup) int64 { return int64(r.uncovered()) })
	for i := range rollupNumbers {
		if marks&(leanNumber<<i) != 0 {
			dst = rollupNumbers[i].appendTo(dst, rollups, k)
		}
	}
	if marks&leanStages != 0 {
		dst = append(dst, stages)
		for s := range stageSlots {
			if stages&(1<<s) != 0 {
				column(ofDelta, func(r *Rollup) int64 { return int64(r.Stages[s]) })
			}
		}
	}
	return dst
}

// uncovered returns how much of a bucket lies between no joined samples.
func (r *Rollup) uncovered() time.Duration { return r.End.Sub(r.Start) - r.Covered }

// lean reads what appendLean wrote.
func (d *decoder) lean(w *wire, of day, res Resolution) []Rollup {
	n := w.uvarint()
	if w.bad || n > tableLimit || n == 0 {
		if n > 0 {
			w.fail()
		}
		return nil
	}
	marks := w.octet()
	rollups := make([]Rollup, n)
	values := make([]uint64, n)
	var r columnReader
	column := func(set func(o *Rollup, v int64)) {
		r.open(w, d, int(n))
		r.read(values)
		for i, v := range values {
			set(&rollups[i], int64(v))
		}
	}
	if marks&leanMissing != 0 {
		column(func(o *Rollup, v int64) { o.Start = time.Unix(0, of.start+v).UTC() })
		column(func(o *Rollup, v int64) { o.End = o.Start.Add(time.Duration(v)) })
	} else if !of.place(res, rollups) {
		w.fail()
		return nil
	}
	column(func(o *Rollup, v int64) { o.Count = int(v) })
	column(func(o *Rollup, v int64) { o.Covered = o.End.Sub(o.Start) - time.Duration(v) })
	for i := range rollupNumbers {
		number := &rollupNumbers[i]
		if marks&(leanNumber<<i) != 0 {
			number.read(w, d, &r, values, rollups)
			continue
		}
		for j := range rollups {
			*number.of(&rollups[j]) = number.absent(&rollups[j])
		}
	}
	if marks&leanStages != 0 {
		stages := w.octet()
		for s := range stageSlots {
			if stages&(1<<s) != 0 {
				column(func(o *Rollup, v int64) { o.Stages[s] = time.Duration(v) })
			}
		}
	}
	if w.bad {
		return nil
	}
	return rollups
}

// place gives rollups the starts and ends of all buckets of a day, and reports whether it has as many.
func (d day) place(res Resolution, rollups []Rollup) bool {
	length := res.length(d)
	if length <= 0 || int64(len(rollups)) != (d.end-d.start+length-1)/length {
		return false
	}
	for i := range rollups {
		start := d.start + int64(i)*length
		rollups[i].Start, rollups[i].End = time.Unix(0, start).UTC(), time.Unix(0, min(start+length, d.end)).UTC()
	}
	return true
}

// How the row of a day stands behind its hours.
const (
	dayWhole = 0 // as a table of its own
	daySums  = 1 // its mean and total differ by so much from what the hours say; the rest is what they say
)

// appendDay appends the hours of a day, then the day itself.
func appendDay(dst []byte, d day, whole Rollup, hours []Rollup, k *coder) []byte {
	dst = appendLean(dst, d, Hour, hours, k)
	sum := sumUp(d, hours)
	mean, okMean := differs(&sum.Mean, whole.Mean, 1000)
	total, okTotal := differs(&sum.Total, whole.Total, 10)
	if !okMean || !okTotal || !sum.equal(&whole) {
		return appendLean(append(dst, dayWhole), d, Day, []Rollup{whole}, k)
	}
	return binary.AppendVarint(binary.AppendVarint(append(dst, daySums), mean), total)
}

// day reads what appendDay wrote.
func (d *decoder) day(w *wire, of day) (whole Rollup, hours []Rollup) {
	hours = d.lean(w, of, Hour)
	switch w.octet() {
	case daySums:
		whole = sumUp(of, hours)
		whole.Mean = nearby(whole.Mean, w.varint(), 1000)
		whole.Total = nearby(whole.Total, w.varint(), 10)
	case dayWhole:
		if days := d.lean(w, of, Day); len(days) == 1 {
			return days[0], hours
		}
		w.fail()
	default:
		w.fail()
	}
	return whole, hours
}

// sumUp returns what the hours say of their day: all of it exactly but for mean and total, which were rounded.
func sumUp(d day, hours []Rollup) Rollup {
	whole := Rollup{Start: time.Unix(0, d.start).UTC(), End: time.Unix(0, d.end).UTC()}
	for i := range hours {
		r := &hours[i]
		if r.Count > 0 {
			whole.Last = r.Last
			if whole.Count == 0 || r.Min < whole.Min {
				whole.Min = r.Min
			}
			if whole.Count == 0 || r.Max > whole.Max {
				whole.Max = r.Max
			}
		}
		whole.Count += r.Count
		whole.Covered += r.Covered
		whole.Mean += float64(r.Mean * float64(r.Count)) // rounded before it is added, on every machine
		whole.Total += r.Total
		for s, held := range r.Stages {
			whole.Stages[s] += held
		}
	}
	if whole.Count > 0 {
		whole.Mean /= float64(whole.Count)
	}
	return whole
}

// differs returns by how many parts of a unit want differs from a guess, and puts in the guess's place what nearby makes
// of that. ok says whether that is want.
func differs(guess *float64, want, parts float64) (by int64, ok bool) {
	a, b := math.Round(*guess*parts), math.Round(want*parts)
	if !(math.Abs(a) < 1<<53) || !(math.Abs(b) < 1<<53) {
		return 0, false
	}
	by = int64(b) - int64(a)
	*guess = nearby(*guess, by, parts)
	return by, same(*guess, want)
}

// nearby returns the number that lies so many parts of a unit beside a guess.
func nearby(guess float64, by int64, parts float64) float64 {
	if a := math.Round(guess * parts); math.Abs(a) < 1<<53 {
		return float64(int64(a)+by) / parts
	}
	return guess
}

// equal reports whether two rollups are the same, bit for bit.
func (r *Rollup) equal(o *Rollup) bool {
	for i := range rollupNumbers {
		if of := rollupNumbers[i].of; !same(*of(r), *of(o)) {
			return false
		}
	}
	return r.Start.Equal(o.Start) && r.End.Equal(o.End) && r.Count == o.Count && r.Covered == o.Covered && r.Stages == o.Stages
}
