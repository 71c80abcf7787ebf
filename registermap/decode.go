package registermap

import (
	"bytes"
	"math"
	"unicode"
	"unicode/utf8"

	"ringwarden/fleet"
)

// A decoder turns registers into the values of one poll group. It is a flat table with one entry for each point, so
// that decoding a point takes no call through an interface and no memory.
type decoder struct {
	points []fleet.Point // of the layout
	ops    []op
	scaled []scaledOp
	texts  []int
}

// A kind says how a field's bits become a number.
type kind uint8

const (
	kindUnsigned kind = iota
	kindSigned
	kindBCD
	kindFloat32
	kindFloat64
	kindText
)

// An op decodes one point.
type op struct {
	load          load
	kind          kind
	shift, width  uint8
	scaled        bool // its scale comes with another point, in Finish
	length        uint16
	mask          uint64
	mul, div, add float64
	low, high     float64
	absent        []uint64
	codes         []code // nil: any is fine
	point         int32
}

// A code is a raw value that the map names, with the number that it stands for.
type code struct {
	raw    uint64
	number float64
}

// A scaledOp scales one point by the exponent in another.
type scaledOp struct{ point, by int }

func newDecoder(points []Point) *decoder {
	d := &decoder{points: make([]fleet.Point, len(points)), ops: make([]op, len(points))}
	place := map[string]int{}
	for i := range points {
		d.points[i] = points[i].Point
		d.ops[i] = newOp(&points[i], i)
		place[points[i].Name] = i
		if d.ops[i].kind == kindText {
			d.texts = append(d.texts, i)
		}
	}
	for i := range points {
		if by := points[i].ScaledBy; by != "" {
			d.ops[i].scaled = true
			d.scaled = append(d.scaled, scaledOp{i, place[by]})
		}
	}
	return d
}

func newOp(pt *Point, i int) op {
	o := op{
		load: loadOf(pt), kind: kindOf(pt), shift: pt.Shift, width: pt.Bits, length: pt.Length, mask: mask(int(pt.Bits)),
		mul: pt.Mul, div: pt.Div, add: pt.Add, low: pt.Lowest, high: pt.Highest, absent: pt.Absent, point: int32(i),
	}
	for i, n := range pt.Names {
		o.codes = append(o.codes, code{n.Code, pt.meantBy(i)})
	}
	return o
}

// meantBy returns the number that a named code stands for: the stage, or the code itself.
func (pt *Point) meantBy(name int) float64 {
	n := pt.Names[name]
	if pt.Quantity == fleet.QuantityStage {
		s, _ := fleet.ParseStage(n.Word)
		return float64(s)
	}
	return pt.Number(n.Code)
}

func kindOf(pt *Point) kind {
	switch {
	case pt.Type == Text:
		return kindText
	case pt.Type.info().digits > 0:
		return kindBCD
	case pt.Form == fleet.FormSigned:
		return kindSigned
	case pt.Form == fleet.FormFloat32:
		return kindFloat32
	case pt.Form == fleet.FormFloat64:
		return kindFloat64
	}
	return kindUnsigned
}

// DecodeRegisters decodes the answer to a block of holding or input registers. Words that are too few for the block
// leave its values as they are.
func (p *Plan) DecodeRegisters(block int, words []uint16, dst []fleet.Value) {
	if !p.fits(block, len(words), len(dst)) || p.Blocks[block].Table.Bits() {
		return
	}
	for _, m := range p.parts[block] {
		o, v := &p.decoder.ops[m.point], &dst[m.point]
		if o.kind == kindText {
			o.decodeText(words[m.offset:m.offset+int(o.length)], v)
			continue
		}
		o.decode(o.load.from(words[m.offset:]), v)
	}
}

// DecodeBits decodes the answer to a block of coils or discrete inputs. Bits that are too few for the block leave its
// values as they are.
func (p *Plan) DecodeBits(block int, bits []bool, dst []fleet.Value) {
	if !p.fits(block, len(bits), len(dst)) || !p.Blocks[block].Table.Bits() {
		return
	}
	for _, m := range p.parts[block] {
		pattern := uint64(0)
		if bits[m.offset] {
			pattern = 1
		}
		p.decoder.ops[m.point].decode(pattern, &dst[m.point])
	}
}

func (p *Plan) fits(block, read, values int) bool {
	return block >= 0 && block < len(p.Blocks) && read >= int(p.Blocks[block].Count) && values >= len(p.decoder.ops)
}

func (o *op) decode(pattern uint64, v *fleet.Value) {
	pattern = pattern >> o.shift & o.mask
	v.Raw, v.Number = pattern, 0
	for _, a := range o.absent {
		if a == pattern {
			v.Quality = fleet.Absent
			return
		}
	}
	n, q := float64(0), fleet.Good
	switch o.kind {
	case kindUnsigned:
		n = float64(pattern)
	case kindSigned:
		v.Raw = signExtend(pattern, o.width)
		n = float64(int64(v.Raw))
	case kindBCD:
		digits, ok := fromBCD(pattern)
		if !ok {
			v.Quality = fleet.Undefined
			return
		}
		v.Raw, n = digits, float64(digits)
	case kindFloat32:
		n, q = float(float64(math.Float32frombits(uint32(pattern))))
	case kindFloat64:
		n, q = float(math.Float64frombits(pattern))
	}
	if o.codes != nil {
		n, q = o.named(v.Raw)
	}
	v.Quality = q
	if q == fleet.Good {
		v.Number, v.Quality = o.number(n)
	}
}

// float judges a floating-point number: not a number is how devices say that they have none (SunSpec Device Information
// Model 6.4), and infinite is no reading.
func float(f float64) (float64, fleet.Quality) {
	switch {
	case f != f:
		return 0, fleet.Absent
	case math.IsInf(f, 0):
		return 0, fleet.Undefined
	}
	return f, fleet.Good
}

func (o *op) named(raw uint64) (float64, fleet.Quality) {
	for i := range o.codes {
		if o.codes[i].raw == raw {
			return o.codes[i].number, fleet.Good
		}
	}
	return 0, fleet.Undefined
}

// number scales a raw number and judges whether it is plausible.
func (o *op) number(n float64) (float64, fleet.Quality) {
	if o.scaled {
		return n, fleet.Good
	}
	n = n*o.mul/o.div + o.add // as fleet.Point.Number
	return n, o.judge(n)
}

func (o *op) judge(n float64) fleet.Quality {
	switch {
	case n >= o.low && n <= o.high && !math.IsInf(n, 0):
		return fleet.Good
	case math.IsInf(n, 0) || n != n:
		return fleet.Undefined
	}
	return fleet.Implausible
}

// Finish ends a poll's decoding, when all blocks that were answered are decoded: it scales the points whose exponent is
// a point of its own, judges them, and drops texts that were not read again. A point whose exponent is missing or
// absent is so itself.
func (p *Plan) Finish(dst []fleet.Value) {
	if len(dst) < len(p.decoder.ops) {
		return
	}
	for _, s := range p.decoder.scaled {
		v, by := &dst[s.point], &dst[s.by]
		if v.Quality != fleet.Good && v.Quality != fleet.Implausible {
			continue
		}
		if by.Quality == fleet.Good {
			n := p.decoder.points[s.point].Scaled(v.Raw, exponent(by.Raw))
			v.Number, v.Quality = n, p.decoder.ops[s.point].judge(n)
		} else {
			v.Number, v.Quality = 0, by.Quality
		}
		if v.Quality == fleet.Undefined || by.Quality == fleet.Implausible {
			v.Number, v.Quality = 0, fleet.Undefined
		}
	}
	for _, i := range p.decoder.texts {
		if dst[i].Quality != fleet.Good {
			dst[i].Text = ""
		}
	}
}

// exponent returns the exponent in a raw value, or one out of range where it would not fit an int.
func exponent(raw uint64) int {
	e := int64(raw)
	return int(max(-fleet.MaxExponent-1, min(e, fleet.MaxExponent+1)))
}

// decodeText decodes UTF-8 that ends at the first zero byte, without the spaces around it. What is no UTF-8 or would
// steer a terminal becomes U+FFFD.
func (o *op) decodeText(words []uint16, v *fleet.Value) {
	var buffer [2 * MaxRegisters]byte
	b := buffer[:0]
	for _, w := range words {
		if o.load == loadText1 {
			w = flip(w)
		}
		b = append(b, byte(w>>8), byte(w))
	}
	b = bytes.Trim(b, "\x00 ")
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = bytes.TrimRight(b[:i], " ")
	}
	v.Raw, v.Number = 0, 0
	if len(b) == 0 {
		v.Quality, v.Text = fleet.Absent, ""
		return
	}
	var whole [3 * len(buffer)]byte // U+FFFD takes three bytes
	b = sanitize(whole[:0], b)
	v.Quality = fleet.Good
	if string(b) != v.Text { // compared without making a string
		v.Text = string(b)
	}
}

// sanitize appends text to dst with U+FFFD for whatever is no UTF-8 or would steer a terminal.
func sanitize(dst, text []byte) []byte {
	for len(text) > 0 {
		r, size := utf8.DecodeRune(text)
		if unicode.IsControl(r) {
			r = utf8.RuneError
		}
		dst = utf8.AppendRune(dst, r)
		text = text[size:]
	}
	return dst
}
