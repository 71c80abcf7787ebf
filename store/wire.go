package store

import (
	"encoding/binary"
	"math"
)

// appendText appends a length and the bytes of s.
func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// appendFloat appends the eight bytes of f.
func appendFloat(b []byte, f float64) []byte {
	return binary.BigEndian.AppendUint64(b, math.Float64bits(f))
}

// A wire takes a record apart. Once something does not fit, bad is set and everything it gives is zero, so that
// callers look once, at the end.
type wire struct {
	b   []byte
	bad bool
}

func (w *wire) fail() { w.b, w.bad = nil, true }

// take returns the next n bytes, which still belong to the record.
func (w *wire) take(n uint64) []byte {
	if n > uint64(len(w.b)) {
		w.fail()
		return nil
	}
	head := w.b[:n]
	w.b = w.b[n:]
	return head
}

func (w *wire) uvarint() uint64 {
	v, n := binary.Uvarint(w.b)
	if n <= 0 {
		w.fail()
		return 0
	}
	w.b = w.b[n:]
	return v
}

func (w *wire) varint() int64 {
	v, n := binary.Varint(w.b)
	if n <= 0 {
		w.fail()
		return 0
	}
	w.b = w.b[n:]
	return v
}

func (w *wire) octet() byte {
	if b := w.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (w *wire) uint16() uint16 {
	if b := w.take(2); b != nil {
		return binary.BigEndian.Uint16(b)
	}
	return 0
}

func (w *wire) uint32() uint32 {
	if b := w.take(4); b != nil {
		return binary.BigEndian.Uint32(b)
	}
	return 0
}

func (w *wire) uint64() uint64 {
	if b := w.take(8); b != nil {
		return binary.BigEndian.Uint64(b)
	}
	return 0
}

func (w *wire) float() float64 { return math.Float64frombits(w.uint64()) }

func (w *wire) text() string { return string(w.take(w.uvarint())) }

// count reads how many things follow, each of at least one byte, so that a damaged count cannot ask for more memory
// than the record has.
func (w *wire) count() int {
	n := w.uvarint()
	if n > uint64(len(w.b)) {
		w.fail()
		return 0
	}
	return int(n)
}

// done reports whether everything was read and fitted.
func (w *wire) done() bool { return !w.bad && len(w.b) == 0 }
