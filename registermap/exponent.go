package registermap

import (
	"math"

	"ringwarden/fleet"
)

// firstExponent returns the exponent that a new device has: the finest, from -2 on, that holds the plausible range of
// every point that it scales; -1 where the map names no range.
func (im *Image) firstExponent(s *scaler) int {
	first := -2
	for _, u := range s.users {
		pt := &im.m.points[u]
		largest := math.Max(math.Abs(pt.Lowest), math.Abs(pt.Highest))
		if math.IsInf(largest, 0) {
			first = max(first, -1)
			continue
		}
		for first < fleet.MaxExponent && !pt.holds(largest, first) {
			first++
		}
	}
	low, high := im.m.points[s.point].limits()
	return int(max(low, min(int64(first), int64(min(high, fleet.MaxExponent)))))
}

// holds reports whether the field can hold a number at an exponent.
func (pt *Point) holds(number float64, exponent int) bool {
	if !pt.Type.whole() {
		return true
	}
	low, high := pt.limits()
	raw := pt.unscale(number, exponent)
	return raw >= float64(low) && raw <= float64(high)
}

// unscale returns the raw value of a number at an exponent, before rounding.
func (pt *Point) unscale(number float64, exponent int) float64 {
	raw := (number - pt.Add) * pt.Div / pt.Mul
	if exponent < 0 {
		return raw * math.Pow10(-exponent)
	}
	return raw / math.Pow10(exponent)
}

// setScaled writes a point that an exponent scales, and all others of that exponent again where it has to grow.
func (im *Image) setScaled(point int, v fleet.Value) error {
	s, pt := im.scaler[point], &im.m.points[point]
	s.last[point] = v
	grown := s.exponent
	for !s.pinned && !pt.Counter && grown < fleet.MaxExponent && !pt.holds(v.Number, grown) {
		grown++
	}
	if grown != s.exponent && im.m.points[s.point].canHold(uint64(int64(grown))) {
		s.exponent = grown
		im.encode(s.point, uint64(int64(grown)))
		return im.rewrite(s)
	}
	return im.writeScaled(s, point)
}

// rewrite writes every point of an exponent again. It returns the first error.
func (im *Image) rewrite(s *scaler) error {
	first := error(nil)
	for _, u := range s.users {
		if _, ok := s.last[u]; !ok {
			continue
		}
		if err := im.writeScaled(s, u); err != nil && first == nil {
			first = err
		}
	}
	return first
}

func (im *Image) writeScaled(s *scaler, point int) error {
	pt, v := &im.m.points[point], s.last[point]
	decoded := func(raw uint64) float64 { return pt.Scaled(raw, s.exponent) }
	raw, err := pt.encodeNumber(v, decoded, pt.unscale(v.Number, s.exponent))
	return im.store(point, raw, err)
}

// pin sets an exponent by hand and writes what it scales again.
func (im *Image) pin(s *scaler, v fleet.Value) error {
	pt := &im.m.points[s.point]
	raw, err := pt.encodeNumber(v, pt.Number, v.Number)
	if err != nil {
		return err
	}
	im.encode(s.point, raw)
	s.exponent, s.pinned = exponent(raw), true
	return im.rewrite(s)
}
