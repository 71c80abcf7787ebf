package registermap_test

import (
	"errors"
	"math"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// setAndRead sets the only point of a map and returns what setting said and what is read then.
func setAndRead(t *testing.T, entry string, v fleet.Value) (fleet.Value, error) {
	t.Helper()
	m := parse(t, "  p: {at: holding 0, "+entry+"}")
	im := m.NewImage()
	err := im.Set(0, v)
	return poll(t, m.Plan(m.Points()[0].Group), im, nil)[0], err
}

func good(n float64) fleet.Value { return fleet.Value{Number: n, Quality: fleet.Good} }

// Counters of ring frames wrap; a simulated counter that stuck at its end would look like a cut cable.
func TestCountersWrap(t *testing.T) {
	tests := []struct {
		entry     string
		set, want float64
	}{
		{"type: u16, counter: true", 65535, 65535},
		{"type: u16, counter: true", 65536, 0},
		{"type: u16, counter: true", 10*65536 + 7, 7},
		{"type: u32, counter: true", 1<<32 + 5, 5},
		{"type: u16, bits: 11-4, counter: true", 256 + 3, 3},
		{"type: s16, counter: true", 32768, -32768},
		{"type: u64, counter: true", 1 << 62, 1 << 62},
		{"type: u16, counter: true, scale: 0.1", 6553.6, 0},
		{"type: u16, counter: true, absent: 0xFFFF", 65535, 65534}, // not the pattern that means absent
	}
	for _, tt := range tests {
		v, err := setAndRead(t, tt.entry, good(tt.set))
		if err != nil {
			t.Errorf("%s: %v", tt.entry, err)
		}
		wants(t, tt.entry, v, tt.want, fleet.Good)
	}
	m := parse(t, "  p: {at: holding 0, type: u64, counter: true}")
	im := m.NewImage()
	// Beyond 2^53 a float64 cannot tell neighbours apart; Raw can.
	raw := uint64(1)<<63 + 1
	if err := im.Set(0, fleet.Value{Raw: raw, Number: float64(raw), Quality: fleet.Good}); err != nil {
		t.Fatal(err)
	}
	if v := poll(t, m.Plan(fleet.Normal), im, nil)[0]; v.Raw != raw {
		t.Errorf("u64 counter = %d, want %d", v.Raw, raw)
	}
	if b := m.Points()[0].Bits; b != 64 {
		t.Errorf("it wraps at %d bits, want 64", b)
	}
}

func TestWhatDoesNotFitIsClamped(t *testing.T) {
	tests := []struct {
		entry     string
		set, want float64
	}{
		{"type: u16, scale: 0.1", -3, 0},
		{"type: u16, scale: 0.1", 7000, 6553.5},
		{"type: s16", 40000, 32767},
		{"type: s16", -40000, -32768},
		{"type: s16, absent: 0x8000", -40000, -32767},
		{"type: u16, absent: 0xFFFF", 70000, 65534},
		{"type: s16, bits: 11-8", 100, 7},
		{"type: bcd16", 10000, 9999},
		{"type: s64", 1e19, math.MaxInt64},
		{"type: u64", 1e20, math.MaxUint64},
		{"type: f32", 1e39, math.MaxFloat32},
	}
	for _, tt := range tests {
		v, err := setAndRead(t, tt.entry, good(tt.set))
		if !errors.Is(err, registermap.ErrClamped) {
			t.Errorf("%s: setting %v says %v, want that it was clamped", tt.entry, tt.set, err)
		}
		wants(t, tt.entry, v, tt.want, fleet.Good)
	}
}

// A reading that happens to be the pattern that means absent is written as its neighbour.
func TestReadingsKeepOffAbsentPatterns(t *testing.T) {
	for entry, number := range map[string]float64{
		"type: u16, absent: 0":            0,
		"type: u16, absent: 0xFFFF":       65535,
		"type: s16, absent: 0x7FFF":       32767,
		"type: s16, absent: 0x8000":       -32768,
		"type: u16, absent: [7, 8, 9]":    8,
		"type: bcd16, absent: 1000":       1000,
		"type: u16, bits: 7-0, absent: 0": 0,
	} {
		v, err := setAndRead(t, entry, good(number))
		if err != nil || v.Quality != fleet.Good || math.Abs(v.Number-number) > 3 {
			t.Errorf("%s: set %v, read %v (%s), %v", entry, number, v.Number, v.Quality, err)
		}
	}
}

func TestAbsentIsWritten(t *testing.T) {
	for _, entry := range []string{
		"type: u16, absent: 0xFFFF", "type: bcd16, absent: 0xFFFF", "type: f32", "type: f64", "type: f32, absent: -999",
		"type: text, length: 3", "type: u16, bits: 15-8, absent: 0xFF", "type: u64, absent: 0xFFFFFFFFFFFFFFFF",
	} {
		v, err := setAndRead(t, entry, fleet.Value{Quality: fleet.Absent})
		if err != nil || v.Quality != fleet.Absent {
			t.Errorf("%s: absent reads %s, %v", entry, v.Quality, err)
		}
	}
}

func TestWhatHasNoRegisters(t *testing.T) {
	for entry, v := range map[string]fleet.Value{
		"type: u16":                           {Quality: fleet.Absent},
		"type: s16":                           {Quality: fleet.Missing, Number: 1},
		"type: u32":                           good(math.NaN()),
		"type: s32":                           good(math.Inf(1)),
		"type: text, length: 1":               {Text: "long", Quality: fleet.Good},
		"type: u16, values: {1: one}":         good(2),
		"type: u16, bits: 3-0, flags: {0: a}": {Quality: fleet.Undefined},
		"type: u16, quantity: stage, values: {3: bulk}": good(float64(fleet.Float)),
	} {
		got, err := setAndRead(t, entry, v)
		if err == nil || errors.Is(err, registermap.ErrClamped) {
			t.Errorf("%s: setting %v says %v", entry, v, err)
		}
		if got.Raw != 0 {
			t.Errorf("%s: setting %v left %d in the registers", entry, v, got.Raw)
		}
	}
	im := parse(t, "  p: {at: holding 0, type: u16}").NewImage()
	if im.Set(1, good(1)) == nil || im.Set(-1, good(1)) == nil {
		t.Error("a point that is not there was set")
	}
}

// Points that share a register leave each other's bits alone.
func TestFieldsLeaveTheirNeighboursAlone(t *testing.T) {
	m := parse(t, `
  upper: {at: holding 4, type: u32, words: little, bits: 31-20}
  lower: {at: holding 4, type: s32, words: little, bits: 19-0}`)
	im := m.NewImage()
	for _, err := range []error{im.Set(0, good(0xABC)), im.Set(1, good(-2)), im.Set(0, good(0x123))} {
		if err != nil {
			t.Fatal(err)
		}
	}
	values := poll(t, m.Plan(fleet.Normal), im, nil)
	wants(t, "upper", values[0], 0x123, fleet.Good)
	wants(t, "lower", values[1], -2, fleet.Good)
}

// An exponent grows when a value would not fit any more; all that it scales reads right before and after.
func TestExponentsGrow(t *testing.T) {
	m := parse(t, `
  sf:    {at: holding 0, type: s16}
  small: {at: holding 1, type: s16, scale_from: sf, unit: W}
  large: {at: holding 2, type: s16, scale_from: sf, unit: W}`)
	im, p := m.NewImage(), m.Plan(fleet.Normal)
	read := func() []fleet.Value { return poll(t, p, im, nil) }
	steps := []struct{ small, large, wantSmall, exponent float64 }{
		{13.4, 288.5, 13.4, -1},
		{13.4, 3276.7, 13.4, -1},
		{13.4, 3277, 13, 0}, // one step coarser
		{13.4, 50000, 10, 1},
		{13.4, 288, 10, 1}, // it does not shrink again
	}
	for _, s := range steps {
		if err := errors.Join(im.Set(1, good(s.small)), im.Set(2, good(s.large))); err != nil {
			t.Fatal(err)
		}
		v := read()
		wants(t, "exponent", v[0], s.exponent, fleet.Good)
		wants(t, "small", v[1], s.wantSmall, fleet.Good)
		if math.Abs(v[2].Number-s.large) > math.Pow10(int(s.exponent))/2 {
			t.Errorf("large = %v, want %v", v[2].Number, s.large)
		}
	}
	if err := im.Set(0, good(-3)); !errors.Is(err, registermap.ErrClamped) { // pinned by hand: it does not grow for 288
		t.Errorf("pinning the exponent says %v", err)
	}
	if err := im.Set(2, good(1000)); !errors.Is(err, registermap.ErrClamped) {
		t.Errorf("1000 at -3 says %v", err)
	}
	wants(t, "large, pinned", read()[2], 32.767, fleet.Good)
	wants(t, "small, pinned", read()[1], 13.4, fleet.Good)
	if err := im.Set(0, fleet.Value{Quality: fleet.Absent}); err != nil {
		t.Fatal(err)
	}
	wants(t, "small without an exponent", read()[1], 0, fleet.Absent)
}

// A device answers from its lowest to its highest register, zeros in between, and nothing where it is forbidden.
func TestImageAddresses(t *testing.T) {
	m, err := registermap.Parse("m.yaml", []byte(`{format: 1, model: m, reads: {forbidden: [20-21]}, points: {
  a: {at: holding 10, type: u16}, b: {at: holding 30, type: u32}, c: {at: coil 5}, d: {at: input 65535, type: u16}}}`))
	if err != nil {
		t.Fatal(err)
	}
	im := m.NewImage()
	tests := []struct {
		table        registermap.Table
		start, count uint16
		ok           bool
	}{
		{registermap.Holding, 10, 10, true},
		{registermap.Holding, 22, 10, true},
		{registermap.Holding, 9, 2, false},
		{registermap.Holding, 31, 2, false},
		{registermap.Holding, 10, 11, false},
		{registermap.Holding, 21, 1, false},
		{registermap.Inputs, 65535, 1, true},
		{registermap.Inputs, 65535, 2, false},
		{registermap.Inputs, 10, 1, false},
		{registermap.Table(9), 0, 1, false},
		{registermap.Discretes, 0, 1, false},
	}
	words := make([]uint16, 125)
	for _, tt := range tests {
		err := im.ReadRegisters(tt.table, tt.start, tt.count, words)
		if (err == nil) != tt.ok || err != nil && !errors.Is(err, registermap.ErrNoSuchAddress) {
			t.Errorf("%s %d+%d: %v, want ok %v", tt.table, tt.start, tt.count, err, tt.ok)
		}
	}
	bits := make([]bool, 1)
	if err := im.ReadBits(registermap.Coils, 5, 1, bits); err != nil || bits[0] {
		t.Errorf("a new coil is %v, %v", bits[0], err)
	}
	if err := im.ReadBits(registermap.Coils, 4, 1, bits); !errors.Is(err, registermap.ErrNoSuchAddress) {
		t.Errorf("a coil that is not there: %v", err)
	}
}
