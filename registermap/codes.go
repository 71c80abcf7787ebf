package registermap

import (
	"math"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
)

// code reads a raw value that must be decodable, as fleet.Value.Raw holds it.
func (d *draft) code(n *yaml.Node, what string) (uint64, bool) {
	if !d.sized {
		return 0, false
	}
	pattern, ok := d.wholePattern(n, what+" of "+d.Name)
	if !ok {
		return 0, false
	}
	raw, ok := d.raw(pattern)
	if !ok {
		d.faultf(n, "%s is no BCD: each digit is 0 to 9", n.Value)
	}
	return raw, ok
}

// pattern reads a raw value as a bit pattern of the field: a hexadecimal number is the pattern, a decimal one the
// number that it stands for.
func (d *draft) pattern(n *yaml.Node) (uint64, bool) {
	what := d.of("absent")
	if d.Type.whole() || strings.HasPrefix(n.Value, "0x") {
		return d.wholePattern(n, what)
	}
	r, ok := d.p.Decimal(n, what)
	if !ok {
		return 0, false
	}
	f, _ := r.Float64()
	if d.Type == F64 {
		return math.Float64bits(f), true
	}
	if math.Abs(f) > math.MaxFloat32 {
		d.faultf(n, "absent %s does not fit f32", n.Value)
		return 0, false
	}
	return uint64(math.Float32bits(float32(f))), true
}

func (d *draft) wholePattern(n *yaml.Node, what string) (uint64, bool) {
	width := int(d.Bits)
	if d.beyond(n, what) {
		return 0, false
	}
	if strings.HasPrefix(n.Value, "0x") {
		return d.p.Bits(n, what, width)
	}
	if digits := d.Type.info().digits; digits > 0 {
		v, ok := d.p.Integer(n, what, 0, bcdLimit(digits)-1)
		return toBCD(uint64(v)), ok
	}
	if d.Form == fleet.FormSigned {
		limit := int64(math.MaxInt64) >> (64 - width)
		v, ok := d.p.Integer(n, what, -limit-1, limit)
		return uint64(v) & mask(width), ok
	}
	return d.p.Bits(n, what, width)
}

// beyond reports, for a whole number on the wrong side of the sign, which bit pattern is probably meant.
func (d *draft) beyond(n *yaml.Node, what string) bool {
	v, err := strconv.ParseInt(n.Value, 10, 64)
	if err != nil || d.Type.info().digits > 0 {
		return false
	}
	signed, width := d.Form == fleet.FormSigned, int(d.Bits)
	negative := !signed && v < 0 && width < 64 && v >= -1<<(width-1)
	high := signed && v >= 1<<(width-1) && uint64(v) <= mask(width) && width < 64
	if negative || high {
		d.p.Faultf(n, "%s is %s, which %s cannot hold; for the bit pattern write 0x%X", what, n.Value, d.Type, uint64(v)&mask(width))
	}
	return negative || high
}

// mask returns a mask of the low bits.
func mask(width int) uint64 {
	if width >= 64 {
		return math.MaxUint64
	}
	return 1<<width - 1
}

// raw turns the bit pattern of the field into what fleet.Value.Raw holds. It is false for digits that are no BCD.
func (pt *Point) raw(pattern uint64) (uint64, bool) {
	if pt.Type.info().digits > 0 {
		return fromBCD(pattern)
	}
	if pt.Form == fleet.FormSigned {
		return signExtend(pattern, pt.Bits), true
	}
	return pattern, true
}

func signExtend(pattern uint64, width uint8) uint64 {
	unused := 64 - width
	return uint64(int64(pattern<<unused) >> unused)
}

// fromBCD reads up to sixteen nibbles as decimal digits.
func fromBCD(pattern uint64) (uint64, bool) {
	n, place := uint64(0), uint64(1)
	for ; pattern != 0; pattern >>= 4 {
		digit := pattern & 0xF
		if digit > 9 {
			return 0, false
		}
		n += digit * place
		place *= 10
	}
	return n, true
}

func toBCD(n uint64) uint64 {
	pattern := uint64(0)
	for shift := 0; n != 0; shift += 4 {
		pattern |= n % 10 << shift
		n /= 10
	}
	return pattern
}
