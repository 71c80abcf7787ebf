package store

import (
	"encoding/binary"
	"math/bits"
)

// What is kept of each integer of a column, as an unsigned one that is small where the column is calm.
const (
	ofDelta = 0 // the difference to the one before, zigzag
	ofSteps = 1 // the difference of that difference to the one before: for instants on a grid
	ofXor   = 2 // the bits that differ from the one before, reversed: for floats
	ofSelf  = 3 // itself, zigzag: for what has nothing to do with the one before
	ofPlain = 4 // itself: for what is never negative
	ofMinus = 5 // its negative: for what is never positive
)

// How a column is packed.
const (
	packedStill  = 0 // nothing changes
	packedDense  = 1 // all integers
	packedSparse = 2 // how many zeros come before each that is none; then those, less one
	packedRice   = 3 // all integers, each in a code of its own: for columns too short for a table of codes
)

// riceRows is how many integers a column may have to be tried with Rice codes.
const riceRows = 512

func zigzag(v uint64) uint64   { return v<<1 ^ uint64(int64(v)>>63) }
func unzigzag(z uint64) uint64 { return z>>1 ^ -(z & 1) }

// A column gathers the integers of one column of a chunk, in about a byte each. Its zero value is ready.
type column struct {
	transform   byte
	n, zeros    int
	first, last uint64
	step        uint64
	changes     []byte // a uvarint each
}

func (c *column) add(v uint64) {
	if c.n == 0 && c.transform < ofSelf {
		c.first, c.last = v, v
	}
	var z uint64
	switch c.transform {
	case ofDelta:
		z = zigzag(v - c.last)
	case ofSteps:
		z = zigzag(v - c.last - c.step)
		c.step = v - c.last
	case ofXor:
		z = bits.Reverse64(v ^ c.last)
	case ofSelf:
		z = zigzag(v)
	case ofPlain:
		z = v
	case ofMinus:
		z = -v
	}
	c.last = v
	c.n++
	if z == 0 {
		c.zeros++
		c.changes = append(c.changes, 0)
		return
	}
	c.changes = binary.AppendUvarint(c.changes, z)
}

// appendTo appends the packed column: transform, how it is packed, uvarint first value, and the rest.
func (c *column) appendTo(dst []byte, k *coder) []byte {
	method := byte(packedDense)
	switch {
	case c.zeros == c.n:
		method = packedStill
	case c.zeros*2 > c.n:
		method = packedSparse
	}
	start := len(dst)
	dst = binary.AppendUvarint(append(dst, c.transform, method), c.first)
	if method == packedStill {
		return dst
	}
	head := len(dst)
	dst = c.appendLists(dst, k, method)
	if c.n > riceRows {
		return dst
	}
	k.all = c.appendInts(k.all[:0])
	parameter, size := riceSize(k.all)
	if size >= len(dst)-head {
		return dst
	}
	dst[start+1] = packedRice
	return appendRice(dst[:head], k.all, parameter)
}

// appendLists appends the integers as a list, or the gaps between those that are not zero and what those are.
func (c *column) appendLists(dst []byte, k *coder, method byte) []byte {
	gaps, ints, gap := k.gaps[:0], k.changes[:0], uint64(0)
	for b := c.changes; len(b) > 0; {
		z, n := uint64(b[0]), 1
		if z >= 0x80 {
			z, n = binary.Uvarint(b)
		}
		b = b[n:]
		switch {
		case method == packedDense:
			ints = append(ints, z)
		case z == 0:
			gap++
		default:
			gaps, ints, gap = append(gaps, gap), append(ints, z-1), 0
		}
	}
	k.gaps, k.changes = gaps, ints
	if method == packedSparse {
		dst = k.packInts(dst, gaps)
	}
	return k.packInts(dst, ints)
}

// appendInts appends the integers as they were gathered.
func (c *column) appendInts(dst []uint64) []uint64 {
	for b := c.changes; len(b) > 0; {
		z, n := binary.Uvarint(b)
		dst, b = append(dst, z), b[n:]
	}
	return dst
}

// A columnReader gives a packed column back, some rows at a time.
type columnReader struct {
	transform byte
	method    byte
	value     uint64
	step      uint64
	ints      []uint64 // dense: of the rows that are left; sparse: what changes
	gaps      []uint64
	gap       uint64      // rows until the next change, where there is one
	memory    [2][]uint64 // of ints and of gaps
}

// open reads the packed column of rows rows. It keeps nothing of the wire nor of the decoder.
func (r *columnReader) open(w *wire, d *decoder, rows int) {
	*r = columnReader{transform: w.octet(), method: w.octet(), value: w.uvarint(), memory: r.memory}
	switch {
	case r.transform > ofMinus || r.method > packedRice:
		w.fail()
	case r.method == packedDense:
		if r.ints = d.ints(r.memory[0], w, rows); len(r.ints) != rows {
			w.fail()
		}
	case r.method == packedRice:
		r.method = packedDense
		r.ints = readRice(r.memory[0], w, rows)
	case r.method == packedSparse:
		r.gaps = d.ints(r.memory[1], w, rows)
		r.ints = d.ints(r.memory[0], w, rows)
		if len(r.gaps) != len(r.ints) || len(r.gaps) == 0 {
			w.fail()
			break
		}
		r.gap = r.gaps[0]
	}
	if r.ints != nil {
		r.memory[0] = r.ints
	}
	if r.gaps != nil {
		r.memory[1] = r.gaps
	}
	if w.bad { // whoever reads on before looking gets zeros
		*r = columnReader{memory: r.memory}
	}
}

// even reports whether a column just opened counts up by one and the same step from row to row, as instants on a grid
// do, and what the first one and the step are.
func (r *columnReader) even() (first, step uint64, ok bool) {
	if r.transform != ofSteps || r.method != packedSparse || len(r.ints) != 1 || r.gap != 1 {
		return 0, 0, false
	}
	return r.value, unzigzag(r.ints[0] + 1), true
}

// read fills dst with the next rows.
func (r *columnReader) read(dst []uint64) {
	switch r.method {
	case packedStill:
		for i := range dst {
			dst[i] = r.value
		}
		return
	case packedDense:
		n := copy(dst, r.ints)
		r.ints = r.ints[n:]
	case packedSparse:
		r.scatter(dst)
	}
	r.integrate(dst)
}

// scatter lays the changes among zeros.
func (r *columnReader) scatter(dst []uint64) {
	clear(dst)
	at := uint64(0)
	for len(r.ints) > 0 && r.gap < uint64(len(dst))-at {
		at += r.gap
		dst[at] = r.ints[0] + 1
		r.ints, r.gaps = r.ints[1:], r.gaps[1:]
		if at++; len(r.gaps) > 0 {
			r.gap = r.gaps[0]
		}
	}
	if len(r.ints) > 0 {
		r.gap -= uint64(len(dst)) - at
	}
}

// integrate turns changes into values.
func (r *columnReader) integrate(dst []uint64) {
	v := r.value
	switch r.transform {
	case ofDelta:
		for i, z := range dst {
			v += unzigzag(z)
			dst[i] = v
		}
	case ofSteps:
		for i, z := range dst {
			r.step += unzigzag(z)
			v += r.step
			dst[i] = v
		}
	case ofXor:
		for i, z := range dst {
			v ^= bits.Reverse64(z)
			dst[i] = v
		}
	case ofSelf:
		for i, z := range dst {
			dst[i] = unzigzag(z)
		}
		return
	case ofPlain:
		return
	case ofMinus:
		for i, z := range dst {
			dst[i] = -z
		}
		return
	}
	r.value = v
}
