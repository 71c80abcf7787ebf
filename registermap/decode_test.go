package registermap_test

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

func TestScalesAreExact(t *testing.T) {
	tests := []struct {
		entry string
		words []uint16
		want  float64
	}{
		{"type: u16, scale: 0.1, unit: V", []uint16{134}, 13.4},
		{"type: u16, scale: 0.1, unit: kWh", []uint16{3}, 1080000}, // 0.3 kWh = 1.08e6 J
		{"type: u16, scale: 0.1, unit: mV", []uint16{134}, 0.0134},
		{"type: u16, unit: mV", []uint16{13400}, 13.4},
		{"type: s16, scale: 0.1, unit: °C", []uint16{0xFFFF}, -0.1},
		{"type: s16, scale: 0.1, unit: °F", []uint16{770}, 25},
		{"type: s16, scale: 0.1, unit: °F", []uint16{320}, 0},
		{"type: u16, scale: 0.25, offset: -40, unit: °C", []uint16{260}, 25},
		{"type: u16, scale: 1e-3, unit: A", []uint16{15}, 0.015},
		{"type: u16, unit: '%'", []uint16{55}, 0.55},
		{"type: u16, unit: h", []uint16{3}, 10800},
		{"type: u16, unit: Ah", []uint16{2}, 7200},
		{"type: s16, scale: -0.1, unit: A", []uint16{134}, -13.4},
		{"type: bit, bits: 0, scale: -1, offset: 1", []uint16{1}, 0},
		{"type: bit, bits: 0, scale: -1, offset: 1", []uint16{0}, 1},
	}
	for _, tt := range tests {
		wants(t, tt.entry, decode(t, tt.entry, tt.words...), tt.want, fleet.Good)
	}
}

// Every 16-bit raw value at every decimal scale gives the float64 that is nearest to the exact product. The exact
// product comes from rational numbers, not from the decoder.
func TestDecimalScalesGiveTheNearestFloat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Uint16().Draw(t, "raw")
		digits := rapid.Int64Range(1, 99999).Draw(t, "digits")
		power := rapid.IntRange(0, 6).Draw(t, "power")
		unit := rapid.SampledFrom([]string{"V", "mV", "kV", "kWh", "min", "mA"}).Draw(t, "unit")
		m, err := registermap.Parse("m.yaml", []byte(fmt.Sprintf(
			"{format: 1, model: m, points: {p: {at: holding 0, type: u16, scale: %de-%d, unit: %s}}}", digits, power, unit)))
		if err != nil {
			t.Fatal(err)
		}
		u, _ := fleet.ParseUnit(unit)
		exact := new(big.Rat).SetFrac(big.NewInt(int64(raw)*digits), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(power)), nil))
		want, _ := exact.Mul(exact, u.Mul).Float64()
		p, values := m.Plan(fleet.Normal), make([]fleet.Value, 1)
		p.DecodeRegisters(0, []uint16{raw}, values)
		if values[0].Number != want {
			t.Fatalf("%d x %de-%d %s = %v, want %v", raw, digits, power, unit, values[0].Number, want)
		}
		if n := p.Layout.Points[0].Number(uint64(raw)); n != want {
			t.Fatalf("the layout's point gives %v, want %v", n, want)
		}
	})
}

func TestWhatIsNoGoodValue(t *testing.T) {
	tests := []struct {
		entry string
		words []uint16
		want  float64
		q     fleet.Quality
	}{
		{"type: bcd16", []uint16{0x12A4}, 0, fleet.Undefined},
		{"type: bcd16, absent: 0xFFFF", []uint16{0xFFFF}, 0, fleet.Absent},
		{"type: bcd16, absent: 9999", []uint16{0x9999}, 0, fleet.Absent},
		{"type: u16, absent: [1, 0xFFFF]", []uint16{1}, 0, fleet.Absent},
		{"type: u16, absent: [1, 0xFFFF]", []uint16{2}, 2, fleet.Good},
		{"type: u16, bits: 15-8, absent: 0xFF", []uint16{0xFF12}, 0, fleet.Absent},
		{"type: u16, bits: 15-8, absent: 0xFF", []uint16{0xFE12}, 254, fleet.Good},
		{"type: s16, bits: 11-8", []uint16{0x0F00}, -1, fleet.Good},
		{"type: s16, bits: 11-8", []uint16{0xF7FF}, 7, fleet.Good},
		{"type: u32, bits: 23-16", []uint16{0x12AB, 0}, 0xAB, fleet.Good},
		{"type: f32, absent: -999.9", []uint16{0xC479, 0xF99A}, 0, fleet.Absent},
		{"type: u16, scale: 0.1, plausible: [0, 80]", []uint16{800}, 80, fleet.Good},
		{"type: u16, scale: 0.1, plausible: [0, 80]", []uint16{801}, 80.1, fleet.Implausible},
		{"type: s16, plausible: [-5, 5]", []uint16{0xFFFA}, -6, fleet.Implausible},
		{"type: s16, scale: 0.1, unit: °F, plausible: [-40, 212]", []uint16{2120}, 100, fleet.Good},
		{"type: s16, scale: 0.1, unit: °F, plausible: [-40, 212]", []uint16{2121}, 100.05555555555554, fleet.Implausible},
		{"type: u16, quantity: stage, values: {3: bulk}", []uint16{3}, float64(fleet.Bulk), fleet.Good},
		{"type: u16, quantity: stage, values: {3: bulk}", []uint16{4}, 0, fleet.Undefined},
		{"type: u16, values: {3: night}", []uint16{3}, 3, fleet.Good},
		{"type: u16, values: {3: night}", []uint16{5}, 0, fleet.Undefined},
		{"type: s16, values: {-1: lost}", []uint16{0xFFFF}, -1, fleet.Good},
		{"type: bcd16, values: {12: night}", []uint16{0x12}, 12, fleet.Good},
		{"type: u16, flags: {0: a}", []uint16{0x8001}, 0x8001, fleet.Good},
		{"type: f64, scale: 1e15", []uint16{0x7FE0, 0, 0, 0}, 0, fleet.Undefined},
	}
	for _, tt := range tests {
		got := decode(t, tt.entry, tt.words...)
		if tt.q == fleet.Implausible && math.Abs(got.Number-tt.want) < 1e-12 {
			got.Number = tt.want
		}
		wants(t, fmt.Sprintf("%s %x", tt.entry, tt.words), got, tt.want, tt.q)
	}
}

func TestText(t *testing.T) {
	tests := []struct {
		entry string
		words []uint16
		want  string
	}{
		{"type: text, length: 4", []uint16{0x4142, 0x4320, 0x2020, 0x2020}, "ABC"},
		{"type: text, length: 4", []uint16{0x2041, 0x4200, 0x5858, 0x5858}, "AB"}, // what follows the first zero is left over
		{"type: text, length: 2, words: byteswapped", []uint16{0x4241, 0x0043}, "ABC"},
		{"type: text, length: 2", []uint16{0x41FF, 0x4200}, "A\uFFFDB"},
		{"type: text, length: 2", []uint16{0x411B, 0x5B00}, "A\uFFFD["}, // an escape would steer a terminal
	}
	for _, tt := range tests {
		if got := decode(t, tt.entry, tt.words...); got.Text != tt.want || got.Quality != fleet.Good {
			t.Errorf("%s %x = %q (%s), want %q", tt.entry, tt.words, got.Text, got.Quality, tt.want)
		}
	}
	if got := decode(t, "type: text, length: 2", 0x2020, 0x2000); got.Quality != fleet.Absent {
		t.Errorf("blanks are %s, want absent", got.Quality)
	}
}

// A text of the poll before must not be taken for one that was read now.
func TestTextIsForgottenWhenNotRead(t *testing.T) {
	p := parse(t, "  name: {at: holding 0, type: text, length: 2}\n  far: {at: input 0, type: u16}").Plan(fleet.Normal)
	values := make([]fleet.Value, 2)
	p.Reset(values)
	p.DecodeRegisters(0, []uint16{0x4142, 0}, values)
	p.Finish(values)
	if values[0].Text != "AB" {
		t.Fatalf("text = %q", values[0].Text)
	}
	p.Reset(values)
	p.DecodeRegisters(1, []uint16{7}, values)
	p.Finish(values)
	if values[0].Text != "" || values[0].Quality != fleet.Missing {
		t.Errorf("an unread text is %q (%s)", values[0].Text, values[0].Quality)
	}
}

// Answers that are too short, blocks that do not exist, values of another layout: nothing is decoded and nothing breaks.
func TestShortAnswersDecodeNothing(t *testing.T) {
	p := parse(t, "  a: {at: holding 0, type: u32}\n  b: {at: coil 0}").Plan(fleet.Normal)
	values := make([]fleet.Value, 2)
	for block := -1; block < 4; block++ {
		p.Reset(values)
		p.DecodeRegisters(block, []uint16{1}, values)
		p.DecodeBits(block, nil, values)
		p.DecodeRegisters(block, []uint16{1, 2}, values[:1])
		p.DecodeBits(block, []bool{true}, nil)
		p.Finish(values[:1])
		p.Finish(values)
		if values[0].Quality != fleet.Missing || values[1].Quality != fleet.Missing {
			t.Errorf("block %d: decoded %v", block, values)
		}
	}
}

// An exponent and what it scales may come in different requests; if one fails, there is no value.
func TestExponentThatWasNotRead(t *testing.T) {
	p := parse(t, "  sf: {at: holding 0, type: s16}\n  v: {at: input 0, type: u16, scale_from: sf, plausible: [0, 80]}").Plan(fleet.Normal)
	values := make([]fleet.Value, 2)
	read := func(block int, word uint16) { p.DecodeRegisters(block, []uint16{word}, values) }
	p.Reset(values)
	read(1, 134)
	p.Finish(values)
	wants(t, "value without its exponent", values[1], 0, fleet.Missing)
	p.Reset(values)
	read(0, 0xFFFF)
	read(1, 134)
	p.Finish(values)
	wants(t, "value with its exponent", values[1], 13.4, fleet.Good)
	p.Reset(values)
	read(0, 0)
	read(1, 134)
	p.Finish(values)
	wants(t, "value beyond its range", values[1], 134, fleet.Implausible)
	refused := p.Split(0)
	refused.Reset(values)
	refused.DecodeRegisters(0, []uint16{134}, values)
	refused.Finish(values)
	wants(t, "value whose exponent is refused", values[1], 0, fleet.Unreadable)
}

// The edges of the address space, and maps of one point.
func TestEdges(t *testing.T) {
	m := parse(t, "  last: {at: holding 65535, type: u16}")
	p := m.Plan(fleet.Normal)
	if len(p.Blocks) != 1 || p.Blocks[0] != (registermap.Block{Table: registermap.Holding, Start: 65535, Count: 1}) {
		t.Fatalf("blocks are %v", p.Blocks)
	}
	if m.Plan(fleet.Fast) != nil || m.Plan(fleet.Slow) != nil || m.Plan(fleet.Group(99)) != nil {
		t.Error("there are plans for groups without points")
	}
	im := m.NewImage()
	if err := im.Set(0, fleet.Value{Number: 42, Quality: fleet.Good}); err != nil {
		t.Fatal(err)
	}
	wants(t, "the last register", poll(t, p, im, nil)[0], 42, fleet.Good)

	two, err := registermap.Parse("m.yaml", []byte("{format: 1, model: m, numbering: register, points: {p: {at: input 65536, type: u16}, q: {at: input 1, type: u16}}}"))
	if err != nil {
		t.Fatal(err)
	}
	if pts := two.Points(); pts[0].Address != 65535 || pts[1].Address != 0 {
		t.Errorf("register 65536 is at %d and 1 at %d, want 65535 and 0", pts[0].Address, pts[1].Address)
	}
	if got := two.Where(registermap.Inputs, 0); got != "input 1" {
		t.Errorf("Where = %q, want input 1", got)
	}
}
