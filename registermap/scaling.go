package registermap

import (
	"math"
	"math/big"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
)

// A scaling is what leads from a raw value to base units, exactly as it is written.
type scaling struct {
	scale, offset *big.Rat // value = raw x scale + offset, in unit
	unit          fleet.UnitWord
}

// Scales and offsets beyond these would leave the numbers that a float64 holds.
var (
	largest  = new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(15), nil))
	smallest = new(big.Rat).Inv(largest)
)

func (d *draft) readScaling() {
	number := d.meaning == meansNumber || d.meaning == meansNothing
	if !number && d.meaning != meansTruth {
		return
	}
	d.scaled = scaling{scale: one, offset: new(big.Rat), unit: fleet.UnitWord{Mul: one, Add: new(big.Rat)}}
	known := d.readUnit()
	d.readScale()
	d.readOffset()
	d.combine()
	if n, ok := d.get("scale_from"); ok && number {
		d.ScaledBy, _ = d.p.Text(n, d.of("scale_from"))
	}
	if n, ok := d.get("plausible"); ok && known && number {
		d.readPlausible(n)
	}
}

// readUnit returns whether the unit is known and measures what the quantity is.
func (d *draft) readUnit() bool {
	base := d.Quantity.Unit()
	if d.meaning == meansTruth {
		return true
	}
	n, ok := d.get("unit")
	if !ok {
		if d.Quantity != fleet.QuantityNone && base != fleet.Plain && !d.keys.Has("unit") {
			d.p.Faultf(d.name, "%s has no unit; %s is measured in %s", d.Name, d.Quantity, unitsOf(base))
			return false
		}
		return !d.keys.Has("unit")
	}
	w, ok := d.p.Word(n, d.of("unit"), fleet.UnitWords()...)
	if !ok {
		return false
	}
	u, _ := fleet.ParseUnit(w)
	switch {
	case d.Quantity == fleet.QuantityNone || u.Base == base:
		d.scaled.unit, d.Unit = u, u.Base
		return true
	case base == fleet.Plain:
		d.faultf(n, "%s is a pure number; leave the unit %s out", d.Quantity, w)
	default:
		d.faultf(n, "%s is measured in %s, not in %s", d.Quantity, unitsOf(base), w)
	}
	return false
}

// unitsOf lists the words for a base unit.
func unitsOf(base fleet.Unit) string {
	var words []string
	for _, w := range fleet.UnitWords() {
		if u, _ := fleet.ParseUnit(w); u.Base == base {
			words = append(words, w)
		}
	}
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

func (d *draft) readScale() {
	n, ok := d.get("scale")
	if !ok {
		return
	}
	r, ok := d.p.Decimal(n, d.of("scale"))
	if !ok {
		return
	}
	size := new(big.Rat).Abs(r)
	switch {
	case r.Sign() == 0:
		d.faultf(n, "scale 0 makes every value zero; leave it out to mean 1")
	case size.Cmp(largest) > 0 || size.Cmp(smallest) < 0:
		d.faultf(n, "scale %s is out of range; it must be from 1e-15 to 1e15", n.Value)
	default:
		d.scaled.scale = r
	}
}

func (d *draft) readOffset() {
	n, ok := d.get("offset")
	if !ok {
		return
	}
	r, ok := d.p.Decimal(n, d.of("offset"))
	if ok && new(big.Rat).Abs(r).Cmp(largest) > 0 {
		d.faultf(n, "offset %s is out of range; it must be from -1e15 to 1e15", n.Value)
	} else if ok {
		d.scaled.offset = r
	}
}

// combine joins scale, offset and unit: Mul/Div = scale x unit.Mul, Add = offset x unit.Mul + unit.Add. Mul and Div
// are whole where both fit a float64, so that the only rounding is that of one division.
func (d *draft) combine() {
	s := &d.scaled
	factor := new(big.Rat).Mul(s.scale, s.unit.Mul)
	mul, exact := new(big.Rat).SetInt(factor.Num()).Float64()
	div, exact2 := new(big.Rat).SetInt(factor.Denom()).Float64()
	if !exact || !exact2 {
		mul, _ = factor.Float64()
		div = 1
	}
	add := new(big.Rat).Mul(s.offset, s.unit.Mul)
	d.Mul, d.Div = mul, div
	d.Add, _ = add.Add(add, s.unit.Add).Float64()
}

func (d *draft) readPlausible(n *yaml.Node) {
	items, ok := d.p.Sequence(n, d.of("plausible"))
	if !ok {
		return
	}
	if len(items) != 2 {
		d.faultf(n, "plausible must be [lowest, highest], not a list of %d", len(items))
		return
	}
	low, ok := d.p.Decimal(items[0], "the lowest plausible value of "+d.Name)
	high, ok2 := d.p.Decimal(items[1], "the highest plausible value of "+d.Name)
	switch {
	case !ok || !ok2:
	case low.Cmp(high) >= 0:
		d.faultf(n, "plausible is [%s, %s]; write the lowest value first, the highest second", items[0].Value, items[1].Value)
	default:
		d.Lowest, d.Highest = d.bound(low), d.bound(high)
	}
}

// bound converts a bound to base units. Where it is a whole raw value it goes the way that the raw value will go, so
// that rounding cannot put a reading outside a bound that it equals.
func (d *draft) bound(v *big.Rat) float64 {
	raw := new(big.Rat).Sub(v, d.scaled.offset)
	raw.Quo(raw, d.scaled.scale)
	if f, exact := raw.Float64(); exact && raw.IsInt() && !d.keys.Has("scale_from") {
		return f*d.Mul/d.Div + d.Add
	}
	base := new(big.Rat).Mul(v, d.scaled.unit.Mul)
	f, _ := base.Add(base, d.scaled.unit.Add).Float64()
	return f
}

// readAbsent reads the raw values that mean: no value.
func (d *draft) readAbsent() {
	n, ok := d.get("absent")
	if !ok || !d.sized || d.meaning == meansText || d.meaning == meansNothing {
		return
	}
	items := []*yaml.Node{n}
	if n.Kind == yaml.SequenceNode {
		if items, _ = d.p.Sequence(n, d.of("absent")); len(items) == 0 {
			d.faultf(n, "absent is empty; leave it out")
		}
		if len(items) > MaxAbsent {
			d.faultf(n, "absent has %d values; at most %d are read", len(items), MaxAbsent)
			return
		}
	}
	for _, item := range items {
		if d.Bits == 1 {
			d.faultf(item, "one bit has no room for a value that means absent")
			continue
		}
		if pattern, ok := d.pattern(item); ok {
			d.Absent = append(d.Absent, pattern)
		}
	}
}

// bcdLimit returns the first number that the digits cannot spell.
func bcdLimit(digits uint8) int64 { return int64(math.Pow10(int(digits))) }
