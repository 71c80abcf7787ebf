package registermap

import (
	"errors"
	"fmt"
	"math"

	"ringwarden/fleet"
)

// Set writes a value to the registers of a point, by its place among [Map.Points]: the inverse of decoding.
//
// A good or implausible value is written from Number, in base units; for a stage that is the [fleet.Stage]. Where Raw
// stands for the same Number, Raw is written, so that nothing is lost of integers beyond 2^53; flags are Raw, or Number
// where Raw is zero. An absent value is written as the map's first absent pattern, as not a number, or as an empty text.
// Counters wrap by their width; other numbers that do not fit are clamped, with [ErrClamped]. A number that would
// collide with an absent pattern is written as its neighbour.
//
// Exponents are the image's own: one grows when a point that it scales would not fit any more, and never shrinks, as a
// device's would not. Setting an exponent itself pins it.
func (im *Image) Set(point int, v fleet.Value) error {
	if point < 0 || point >= len(im.m.points) {
		return fmt.Errorf("setting point %d: the map has %d", point, len(im.m.points))
	}
	pt := &im.m.points[point]
	err := im.set(point, pt, v)
	if err != nil {
		return fmt.Errorf("setting %s: %w", pt.Name, err)
	}
	return nil
}

func (im *Image) set(point int, pt *Point, v fleet.Value) error {
	switch v.Quality {
	case fleet.Good, fleet.Implausible:
	case fleet.Absent:
		return im.setAbsent(point, pt)
	default:
		return fmt.Errorf("no registers stand for a value that is %s", v.Quality)
	}
	switch {
	case pt.Type == Text:
		return im.setText(pt, v.Text)
	case im.scaler[point] != nil:
		return im.setScaled(point, v)
	case im.scalers[point] != nil:
		return im.pin(im.scalers[point], v)
	case pt.Flags != nil:
		return im.setFlags(point, pt, v)
	case pt.Names != nil:
		return im.setCode(point, pt, v)
	}
	raw, err := pt.encodeNumber(v, func(raw uint64) float64 { return pt.Number(raw) }, (v.Number-pt.Add)*pt.Div/pt.Mul)
	return im.store(point, raw, err)
}

// store writes a raw value unless an error says that there is none.
func (im *Image) store(point int, raw uint64, err error) error {
	if err == nil || errors.Is(err, ErrClamped) {
		im.encode(point, raw)
	}
	return err
}

func (im *Image) setAbsent(point int, pt *Point) error {
	if s := im.scaler[point]; s != nil {
		delete(s.last, point)
	}
	if s := im.scalers[point]; s != nil {
		s.pinned = true
	}
	switch {
	case len(pt.Absent) > 0:
		im.writePattern(point, pt.Absent[0])
	case pt.Type == F32:
		im.writePattern(point, 0x7FC00000) // SunSpec's pattern, which differs from math.NaN's
	case pt.Type == F64:
		im.writePattern(point, 0x7FF8000000000000)
	case pt.Type == Text:
		return im.setText(pt, "")
	default:
		return errors.New("the map names no raw value that means absent")
	}
	return nil
}

func (im *Image) setFlags(point int, pt *Point, v fleet.Value) error {
	raw := v.Raw
	if raw == 0 && v.Number > 0 {
		raw = uint64(v.Number)
	}
	if raw&^mask(int(pt.Bits)) != 0 {
		im.encode(point, raw&mask(int(pt.Bits)))
		return ErrClamped
	}
	im.encode(point, raw)
	return nil
}

func (im *Image) setCode(point int, pt *Point, v fleet.Value) error {
	found := -1
	for i := range pt.Names {
		if pt.meantBy(i) == v.Number && (found < 0 || pt.Names[i].Code == v.Raw) {
			found = i
		}
	}
	if found >= 0 {
		im.encode(point, pt.Names[found].Code)
		return nil
	}
	if pt.Quantity == fleet.QuantityStage {
		return fmt.Errorf("the map names no code for stage %s", fleet.Stage(v.Number))
	}
	return fmt.Errorf("the map names no code %v", v.Number)
}

func (im *Image) setText(pt *Point, text string) error {
	if len(text) > 2*int(pt.Length) {
		return fmt.Errorf("a text of %d bytes does not fit %d registers", len(text), pt.Length)
	}
	words := im.words(pt)
	for i := range words {
		w := uint16(0)
		for j := 2 * i; j < min(2*i+2, len(text)); j++ {
			w |= uint16(text[j]) << (8 * (1 - j%2))
		}
		if pt.Order == ByteSwapped {
			w = flip(w)
		}
		words[i] = w
	}
	return nil
}

// encodeNumber returns the raw value for a number. Decoded is how raw values are read, and exact the raw value before
// rounding.
func (pt *Point) encodeNumber(v fleet.Value, decoded func(uint64) float64, exact float64) (uint64, error) {
	if pt.canHold(v.Raw) && decoded(v.Raw) == v.Number {
		return v.Raw, nil
	}
	switch {
	case math.IsNaN(exact) || math.IsInf(exact, 0):
		return 0, fmt.Errorf("%v is no number", v.Number)
	case pt.Type == F32:
		f := max(-math.MaxFloat32, min(exact, math.MaxFloat32))
		return uint64(math.Float32bits(float32(f))), clamped(f != exact)
	case pt.Type == F64:
		return math.Float64bits(exact), nil
	}
	return pt.encodeWhole(math.Round(exact))
}

func clamped(was bool) error {
	if was {
		return ErrClamped
	}
	return nil
}

// encodeWhole returns the raw value for a whole number: wrapped for counters, else clamped, and kept off the patterns
// that mean absent.
func (pt *Point) encodeWhole(n float64) (uint64, error) {
	low, high := pt.limits()
	raw, err := uint64(0), error(nil)
	switch {
	case pt.Counter && n >= 0:
		span := math.Ldexp(1, int(pt.Bits))
		raw = signOf(pt, uint64(math.Mod(n, span)))
	case n < float64(low):
		raw, err = uint64(low), ErrClamped
	case n >= float64(high) && (n > float64(high) || high == math.MaxUint64):
		raw, err = high, clamped(n > float64(high))
	case n < 0:
		raw = uint64(int64(n))
	case n >= math.MaxInt64 && pt.Form == fleet.FormSigned:
		raw, err = high, clamped(n > math.MaxInt64)
	default:
		raw = uint64(n)
	}
	step := uint64(1)
	if raw == high || int64(raw) > 0 && pt.Form == fleet.FormSigned {
		step = math.MaxUint64 // minus one
	}
	for pt.absent(pt.patternOf(raw)) {
		raw += step
	}
	return raw, err
}

// signOf returns a counter's raw value as its form holds it.
func signOf(pt *Point, raw uint64) uint64 {
	if pt.Form == fleet.FormSigned {
		return signExtend(raw, pt.Bits)
	}
	return raw
}

// limits returns the least and the greatest whole number of the field.
func (pt *Point) limits() (low int64, high uint64) {
	if digits := pt.Type.info().digits; digits > 0 {
		return 0, uint64(bcdLimit(digits) - 1)
	}
	if pt.Form == fleet.FormSigned {
		high = mask(int(pt.Bits) - 1)
		return -int64(high) - 1, high
	}
	return 0, mask(int(pt.Bits))
}

// canHold reports whether a raw value is one that decoding could have given.
func (pt *Point) canHold(raw uint64) bool {
	if pt.absent(pt.patternOf(raw)) {
		return false
	}
	if digits := pt.Type.info().digits; digits > 0 {
		return raw < uint64(bcdLimit(digits))
	}
	return signOf(pt, raw&mask(int(pt.Bits))) == raw
}

// patternOf returns the field's bits for a raw value.
func (pt *Point) patternOf(raw uint64) uint64 {
	if pt.Type.info().digits > 0 {
		return toBCD(raw)
	}
	return raw & mask(int(pt.Bits))
}

// encode writes a raw value to its field and leaves the register's other bits.
func (im *Image) encode(point int, raw uint64) {
	im.writePattern(point, im.m.points[point].patternOf(raw))
}

func (im *Image) writePattern(point int, pattern uint64) {
	pt := &im.m.points[point]
	words := im.words(pt)
	if pt.Table.Bits() {
		words[0] = uint16(pattern)
		return
	}
	var field, bits [4]uint16
	pt.Order.split(pattern<<pt.Shift, field[:len(words)])
	pt.Order.split(mask(int(pt.Bits))<<pt.Shift, bits[:len(words)])
	for i := range words {
		words[i] = words[i]&^bits[i] | field[i]&bits[i]
	}
}

func (im *Image) words(pt *Point) []uint16 {
	b := im.tables[pt.Table]
	from := int(pt.Address) - b.first
	return b.words[from : from+int(pt.Length)]
}
