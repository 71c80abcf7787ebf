package fleet

import (
	"encoding/binary"
	"encoding/hex"
	"hash"
	"hash/fnv"
	"math"
)

// A Point says what one value of a frame is. The register map knows where it lives in the device; downstream of the
// poller nobody needs to.
type Point struct {
	Name     string   // as in the register map; unique there
	Quantity Quantity // QuantityNone: stored, shown and exported under its own name
	Form     Form
	Unit     Unit // base unit of Number, also where Quantity is none
	// Number = raw*Mul/Div + Add. Mul and Div are never 0; where the scale is a decimal fraction both are whole, so
	// that 134 * 0.1 is 13.4 and not 13.400000000000002.
	Mul, Div, Add float64
	ScaledBy      string // point that holds a power-of-ten exponent for this one; empty: none
	Bits          uint8  // width of Raw: where a counter wraps
	Counter       bool   // only ever grows, until it wraps or the device restarts
	Names         []Name // for a stage or named values: what each code means
	Flags         []Name // for flag words: what each bit means; Code is the bit number
}

// A Name gives a code or a bit its word.
type Name struct {
	Code uint64
	Word string
}

// Form says how Raw holds the number.
type Form uint8

// The forms of a raw value.
const (
	FormUnsigned Form = iota
	FormSigned        // two's complement in 64 bits
	FormFloat32       // IEEE 754 binary32 in the low 32 bits
	FormFloat64       // IEEE 754 binary64
	FormText
)

// GroundFault is the flag word that alarms look for. A map gives it to whichever bit the device uses.
const GroundFault = "ground-fault"

// Number returns the number that a raw value stands for, in base units. It is not for text, nor for points that
// another one scales: see [Point.Scaled].
func (p *Point) Number(raw uint64) float64 { return p.plain(raw)*p.Mul/p.Div + p.Add }

// MaxExponent is the largest power of ten that a scaling point may hold, and its negative the smallest (SunSpec scale
// factors have the same range).
const MaxExponent = 10

var powersOfTen = [MaxExponent + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10}

// Scaled returns the number that a raw value stands for where the point that ScaledBy names holds the exponent. An
// exponent beyond [MaxExponent] gives not a number.
func (p *Point) Scaled(raw uint64, exponent int) float64 {
	switch {
	case exponent < -MaxExponent || exponent > MaxExponent:
		return math.NaN()
	case exponent < 0: // a division keeps 2301 at -1 exactly 230.1
		return p.plain(raw)*p.Mul/(p.Div*powersOfTen[-exponent]) + p.Add
	}
	return p.plain(raw)*(p.Mul*powersOfTen[exponent])/p.Div + p.Add
}

// plain returns a raw value as a number, before any scale.
func (p *Point) plain(raw uint64) float64 {
	switch p.Form {
	case FormSigned:
		return float64(int64(raw))
	case FormFloat32:
		return float64(math.Float32frombits(uint32(raw)))
	case FormFloat64:
		return math.Float64frombits(raw)
	}
	return float64(raw)
}

// Word returns the name of a code, or "" if the map does not name it.
func (p *Point) Word(code uint64) string {
	for i := range p.Names {
		if p.Names[i].Code == code {
			return p.Names[i].Word
		}
	}
	return ""
}

// Flag returns the mask of a flag word, and 0 if the map names no such flag.
func (p *Point) Flag(word string) uint64 {
	var mask uint64
	for _, f := range p.Flags {
		if f.Word == word {
			mask |= 1 << f.Code
		}
	}
	return mask
}

// A Layout says what the values of a frame are, in order. It never changes after [NewLayout] and is shared by all
// frames of one map and poll group.
type Layout struct {
	Points []Point
	ID     string // the same for equal layouts, in every process
	index  [quantityCount]int16
}

// NewLayout returns the layout of points, which it keeps.
func NewLayout(points []Point) *Layout {
	l := &Layout{Points: points}
	for i := range l.index {
		l.index[i] = -1
	}
	h := fnv.New128a()
	for i := range points {
		hashPoint(h, &points[i])
		if q := points[i].Quantity; q != QuantityNone && l.index[q] < 0 {
			l.index[q] = int16(i)
		}
	}
	l.ID = hex.EncodeToString(h.Sum(nil))
	return l
}

// Index returns the place of a quantity.
func (l *Layout) Index(q Quantity) (int, bool) {
	i := l.index[q]
	return int(i), i >= 0
}

// Named returns the place of a point.
func (l *Layout) Named(name string) (int, bool) {
	for i := range l.Points {
		if l.Points[i].Name == name {
			return i, true
		}
	}
	return 0, false
}

func hashPoint(h hash.Hash, p *Point) {
	text := func(s string) {
		h.Write(binary.AppendUvarint(nil, uint64(len(s))))
		h.Write([]byte(s))
	}
	word := func(n uint64) { h.Write(binary.BigEndian.AppendUint64(nil, n)) }
	text(p.Name)
	text(p.Quantity.String())
	text(string(p.Unit))
	text(p.ScaledBy)
	for _, f := range []float64{p.Mul, p.Div, p.Add} {
		word(math.Float64bits(f))
	}
	counter := byte(0)
	if p.Counter {
		counter = 1
	}
	h.Write([]byte{byte(p.Form), p.Bits, counter})
	for _, names := range [][]Name{p.Names, p.Flags} {
		word(uint64(len(names)))
		for _, n := range names {
			word(n.Code)
			text(n.Word)
		}
	}
}
