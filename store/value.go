package store

import (
	"encoding/binary"
	"math"

	"ringwarden/fleet"
)

// A plain value is good, and its number follows from its raw integer: it is stored as that integer alone. Every other
// value is an exception: a status of these bits, then what the status says that follows.
const (
	statusQuality = 0b0000_0111
	statusRaw     = 0b0000_1000 // raw follows; else it is 0
	statusText    = 0b0001_0000 // text follows; else it is empty
	statusNumber  = 0b0110_0000 // one of the four below

	numberImplied = 0b0000_0000 // as implied gives it
	numberZero    = 0b0010_0000
	numberScaled  = 0b0100_0000 // one signed byte follows: the exponent that another point held, see [fleet.Point.Scaled]
	numberGiven   = 0b0110_0000 // eight bytes follow, IEEE 754
)

// implied returns the number that a raw value stands for where nothing else is said.
func implied(p *fleet.Point, raw uint64) float64 {
	switch {
	case p.Form == fleet.FormText:
		return 0
	case p.Quantity == fleet.QuantityStage:
		stage, _ := fleet.ParseStage(p.Word(raw))
		return float64(stage)
	}
	return p.Number(raw)
}

// same reports whether two numbers are one, bit for bit. Not-a-number is none, since its bits may differ by machine.
func same(a, b float64) bool { return a == b && math.Float64bits(a) == math.Float64bits(b) }

// plain reports whether v can be stored as its raw integer, or its text, alone.
func plain(p *fleet.Point, v *fleet.Value) bool {
	switch {
	case v.Quality != fleet.Good || !same(v.Number, implied(p, v.Raw)):
		return false
	case p.Form == fleet.FormText:
		return v.Raw == 0
	case p.Form == fleet.FormFloat32 && v.Raw>>32 != 0:
		return false
	}
	return v.Text == ""
}

// ordinary reports whether the values of p are integers without a sign, as most are.
func ordinary(p *fleet.Point) bool {
	return p.Form == fleet.FormUnsigned && p.Quantity != fleet.QuantityStage
}

func appendPlain(b []byte, p *fleet.Point, v *fleet.Value) []byte {
	switch p.Form {
	case fleet.FormText:
		return appendText(b, v.Text)
	case fleet.FormSigned:
		return binary.AppendVarint(b, int64(v.Raw))
	case fleet.FormFloat32:
		return binary.BigEndian.AppendUint32(b, uint32(v.Raw))
	case fleet.FormFloat64:
		return binary.BigEndian.AppendUint64(b, v.Raw)
	}
	return binary.AppendUvarint(b, v.Raw)
}

func (w *wire) plain(p *fleet.Point) fleet.Value {
	v := fleet.Value{Quality: fleet.Good}
	switch p.Form {
	case fleet.FormText:
		v.Text = w.text()
	case fleet.FormSigned:
		v.Raw = uint64(w.varint())
	case fleet.FormFloat32:
		v.Raw = uint64(w.uint32())
	case fleet.FormFloat64:
		v.Raw = w.uint64()
	default:
		v.Raw = w.uvarint()
	}
	v.Number = implied(p, v.Raw)
	return v
}

// numberOf returns how the number of v is stored.
func numberOf(p *fleet.Point, v *fleet.Value) (kind byte, exponent int8) {
	base := implied(p, v.Raw)
	switch {
	case same(v.Number, base):
		return numberImplied, 0
	case same(v.Number, 0):
		return numberZero, 0
	case p.ScaledBy != "":
		for e := -fleet.MaxExponent; e <= fleet.MaxExponent; e++ {
			if same(v.Number, p.Scaled(v.Raw, e)) {
				return numberScaled, int8(e)
			}
		}
	}
	return numberGiven, 0
}

func appendException(b []byte, p *fleet.Point, v *fleet.Value) []byte {
	kind, exponent := numberOf(p, v)
	status := byte(v.Quality) | kind
	if v.Raw != 0 {
		status |= statusRaw
	}
	if v.Text != "" {
		status |= statusText
	}
	b = append(b, status)
	if v.Raw != 0 && p.Form == fleet.FormSigned {
		b = binary.AppendVarint(b, int64(v.Raw))
	} else if v.Raw != 0 {
		b = binary.AppendUvarint(b, v.Raw)
	}
	if v.Text != "" {
		b = appendText(b, v.Text)
	}
	switch kind {
	case numberScaled:
		b = append(b, byte(exponent))
	case numberGiven:
		b = appendFloat(b, v.Number)
	}
	return b
}

func (w *wire) exception(p *fleet.Point) fleet.Value {
	status := w.octet()
	v := fleet.Value{Quality: fleet.Quality(status & statusQuality)}
	if status&statusRaw != 0 && p.Form == fleet.FormSigned {
		v.Raw = uint64(w.varint())
	} else if status&statusRaw != 0 {
		v.Raw = w.uvarint()
	}
	if status&statusText != 0 {
		v.Text = w.text()
	}
	switch status & statusNumber {
	case numberImplied:
		v.Number = implied(p, v.Raw)
	case numberScaled:
		v.Number = p.Scaled(v.Raw, int(int8(w.octet())))
	case numberGiven:
		v.Number = w.float()
	}
	return v
}
