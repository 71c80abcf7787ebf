package store

import (
	"math"
	"slices"
	"time"
)

// The kinds of rollup records.
const (
	tableKind = 1 // until format 2: nothing is left out of its tables
	leanKind  = 2
)

// tableColumns are the columns of a table of rollups; those of the stages that were held follow.
const (
	tableStart = iota // nanoseconds after the one before; the first after the start of the day
	tableLength
	tableCount
	tableCovered
	tableFixed
)

// A rollupNumber is one of the numbers of a rollup: a column of its own, of differences to another number of the same
// row where that makes them small.
type rollupNumber struct {
	of    func(*Rollup) *float64
	after func(*Rollup) float64 // nil: to the row before
	zero  bool                  // where its column is left out it is 0, else what after says
}

var rollupNumbers = [...]rollupNumber{
	{of: func(r *Rollup) *float64 { return &r.Last }, zero: true},
	{of: func(r *Rollup) *float64 { return &r.Min }, after: func(r *Rollup) float64 { return r.Last }},
	{of: func(r *Rollup) *float64 { return &r.Max }, after: func(r *Rollup) float64 { return r.Last }},
	{of: func(r *Rollup) *float64 { return &r.Mean }, after: func(r *Rollup) float64 { return r.Min }},
	{
		of:    func(r *Rollup) *float64 { return &r.Total },
		after: func(r *Rollup) float64 { return r.Mean * r.Covered.Seconds() }, zero: true,
	},
}

// guess returns what a number is expected to be, in units of the last of its decimals; 0 where it is the row before
// that says it, or nothing can.
func (n *rollupNumber) guess(r *Rollup, scale float64) int64 {
	if n.after == nil {
		return 0
	}
	if k := math.Round(n.after(r) * scale); math.Abs(k) < 1<<53 {
		return int64(k)
	}
	return 0
}

// numbersAsBits is the number of decimals that stands for a column of floats as they are.
const numbersAsBits = 255

// decimals returns how many decimals all numbers of a column have, at most three, or numbersAsBits.
func decimals(rollups []Rollup, number func(*Rollup) *float64) byte {
	for d, scale := 0, 1.0; d <= 3; d, scale = d+1, scale*10 {
		ok := true
		for i := range rollups {
			v := *number(&rollups[i])
			k := math.Round(v * scale)
			if !(math.Abs(k) < 1<<53) || !same(float64(int64(k))/scale, v) {
				ok = false
				break
			}
		}
		if ok {
			return byte(d)
		}
	}
	return numbersAsBits
}

func (n *rollupNumber) appendTo(dst []byte, rollups []Rollup, k *coder) []byte {
	d := decimals(rollups, n.of)
	dst = append(dst, d)
	if d == numbersAsBits {
		c := column{transform: ofXor}
		for i := range rollups {
			c.add(math.Float64bits(*n.of(&rollups[i])))
		}
		return c.appendTo(dst, k)
	}
	alone, scale := column{}, math.Pow10(int(d))
	by := make([]int64, len(rollups)) // from the guess
	for i := range rollups {
		v := int64(math.Round(*n.of(&rollups[i]) * scale))
		alone.add(uint64(v))
		by[i] = v - n.guess(&rollups[i], scale)
	}
	packed := alone.appendTo(nil, k)
	if n.after != nil {
		guessed := column{transform: oneSided(by)}
		for _, v := range by {
			guessed.add(uint64(v))
		}
		if better := guessed.appendTo(nil, k); len(better) < len(packed) {
			packed = better
		}
	}
	return append(dst, packed...)
}

// oneSided returns the transform for integers that may all be of one sign.
func oneSided(ints []int64) byte {
	least, most := slices.Min(ints), slices.Max(ints)
	switch {
	case least >= 0:
		return ofPlain
	case most <= 0:
		return ofMinus
	}
	return ofSelf
}

// read reads what appendTo wrote.
func (n *rollupNumber) read(w *wire, d *decoder, r *columnReader, column []uint64, rollups []Rollup) {
	places := w.octet()
	scale := math.Pow10(int(places))
	r.open(w, d, len(rollups))
	if w.bad {
		return
	}
	r.read(column)
	for j, v := range column {
		o, guess := &rollups[j], int64(0)
		if r.transform >= ofSelf {
			guess = n.guess(o, scale)
		}
		if places == numbersAsBits {
			*n.of(o) = math.Float64frombits(v)
		} else {
			*n.of(o) = float64(int64(v)+guess) / scale
		}
	}
}

// tableLimit bounds the rows of a table: the five minutes of a day of 25 hours are 300.
const tableLimit = 1000

// table reads a table of kind 1.
func (d *decoder) table(w *wire, start int64) []Rollup {
	n := w.uvarint()
	if w.bad || n > tableLimit {
		w.fail()
		return nil
	}
	if n == 0 {
		return nil
	}
	rollups := make([]Rollup, n)
	column := make([]uint64, n)
	var r columnReader
	for i := range tableFixed {
		r.open(w, d, int(n))
		r.read(column)
		for j, v := range column {
			o := &rollups[j]
			switch i {
			case tableStart:
				start += int64(v)
				o.Start = time.Unix(0, start).UTC()
			case tableLength:
				o.End = o.Start.Add(time.Duration(v))
			case tableCount:
				o.Count = int(v)
			case tableCovered:
				o.Covered = time.Duration(v)
			}
		}
	}
	for i := range rollupNumbers {
		rollupNumbers[i].read(w, d, &r, column, rollups)
	}
	stages := w.octet()
	for s := range stageSlots {
		if stages&(1<<s) != 0 {
			r.open(w, d, int(n))
			r.read(column)
			for j, v := range column {
				rollups[j].Stages[s] = time.Duration(v)
			}
		}
	}
	if w.bad {
		return nil
	}
	return rollups
}

// fineKey returns the key of the five-minute rollups of a point and a day: by day first, since they are dropped so.
func fineKey(start int64, point pointKey) []byte {
	return append(appendKeyTime(nil, start), point.bytes()...)
}

// coarseKey returns the key of the hours and the day of a point and a day: by point first, so that a year's curve lies
// together.
func coarseKey(start int64, point pointKey) []byte { return appendKeyTime(point.bytes(), start) }

// A pointKey names a point of a controller.
type pointKey struct{ controller, point string }

func (p pointKey) bytes() []byte { return appendText(appendText(nil, p.controller), p.point) }
