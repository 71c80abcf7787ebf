package store

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// Rice codes (R. F. Rice, JPL Publication 79-22, 1979; from memory): of each integer the bits above the lowest k as so many
// zero bits and a one, then those k. They need no table, and come near to the entropy where small integers are likelier
// than large ones.

// riceZeros bounds the zero bits of one integer.
const riceZeros = 32

// riceSize returns the parameter that packs the integers shortest, and the bytes that they take with it.
func riceSize(ints []uint64) (k, size int) {
	size = math.MaxInt
	sum := 0.0
	for _, v := range ints {
		sum += float64(v)
	}
	middle := bits.Len64(uint64(min(sum/float64(max(1, len(ints))), 1<<62)))
	for try := max(0, middle-2); try <= min(middle+1, 63); try++ {
		total := 0
		for _, v := range ints {
			zeros := v >> try
			if zeros > riceZeros {
				total = -1
				break
			}
			total += int(zeros) + 1 + try
		}
		if n := (total + 7) / 8; total >= 0 && n < size {
			k, size = try, n
		}
	}
	if size < math.MaxInt {
		size += 1 + len(binary.AppendUvarint(nil, uint64(size)))
	}
	return k, size
}

// appendRice appends the parameter, uvarint length, and the bits.
func appendRice(dst []byte, ints []uint64, k int) []byte {
	var b bitWriter
	for _, v := range ints {
		zeros := int(v >> k)
		b.write(1<<zeros, zeros+1)
		b.write(v&(1<<k-1), k)
	}
	return b.flush(append(dst, byte(k)))
}

// readRice reads n integers.
func readRice(dst []uint64, w *wire, n int) []uint64 {
	k := int(w.octet())
	b := bitReader{b: w.take(w.uvarint())}
	if k > 63 || n > 8*len(b.b) {
		w.fail()
		return dst[:0]
	}
	dst = dst[:0]
	for range n {
		zeros := uint64(0)
		for b.read(1) == 0 && !b.bad {
			zeros++
		}
		dst = append(dst, zeros<<k|b.read(k))
	}
	if b.bad || len(b.b) > 0 {
		w.fail()
	}
	return dst
}
