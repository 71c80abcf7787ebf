package store

import (
	"encoding/binary"
	"math"
	"time"
)

// tableKind is the only kind of rollup record so far.
const tableKind = 1

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
}

var rollupNumbers = [...]rollupNumber{
	{of: func(r *Rollup) *float64 { return &r.Last }},
	{func(r *Rollup) *float64 { return &r.Min }, func(r *Rollup) float64 { return r.Last }},
	{func(r *Rollup) *float64 { return &r.Max }, func(r *Rollup) float64 { return r.Last }},
	{func(r *Rollup) *float64 { return &r.Mean }, func(r *Rollup) float64 { return r.Min }},
	{func(r *Rollup) *float64 { return &r.Total }, func(r *Rollup) float64 { return r.Mean * r.Covered.Seconds() }},
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

// appendTable appends the rollups of a day in one resolution.
func appendTable(dst []byte, d day, rollups []Rollup, k *coder) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(rollups)))
	if len(rollups) == 0 {
		return dst
	}
	var columns [tableFixed]column
	before := d.start
	stages := byte(0)
	for i := range rollups {
		r := &rollups[i]
		start := r.Start.UnixNano()
		columns[tableStart].add(uint64(start - before))
		columns[tableLength].add(uint64(r.End.UnixNano() - start))
		columns[tableCount].add(uint64(r.Count))
		columns[tableCovered].add(uint64(r.Covered))
		before = start
		for s, held := range r.Stages {
			if held > 0 {
				stages |= 1 << s
			}
		}
	}
	for i := range columns {
		dst = columns[i].appendTo(dst, k)
	}
	for i := range rollupNumbers {
		dst = rollupNumbers[i].appendTo(dst, rollups, k)
	}
	dst = append(dst, stages)
	for s := range stageSlots {
		if stages&(1<<s) != 0 {
			var held column
			for i := range rollups {
				held.add(uint64(rollups[i].Stages[s]))
			}
			dst = held.appendTo(dst, k)
		}
	}
	return dst
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
	alone, guessed, scale := column{}, column{transform: ofSelf}, math.Pow10(int(d))
	for i := range rollups {
		v := int64(math.Round(*n.of(&rollups[i]) * scale))
		alone.add(uint64(v))
		guessed.add(uint64(v - n.guess(&rollups[i], scale)))
	}
	packed := alone.appendTo(nil, k)
	if n.after != nil {
		if better := guessed.appendTo(nil, k); len(better) < len(packed) {
			packed = better
		}
	}
	return append(dst, packed...)
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
		if r.transform == ofSelf {
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

// table reads what appendTable wrote.
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
