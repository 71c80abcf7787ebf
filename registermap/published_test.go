package registermap_test

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// bytesOf returns the bytes of a hexadecimal text.
func bytesOf(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func wordsOf(t testing.TB, s string) []uint16 {
	t.Helper()
	b := bytesOf(t, s)
	words := make([]uint16, len(b)/2)
	for i := range words {
		words[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return words
}

// The response data of the examples in the Modbus Application Protocol V1.1b3, 6.3 and 6.4.
func TestModbusRegisterExamples(t *testing.T) {
	m := parse(t, `
  r108: {at: holding 107, type: u16}
  r109: {at: holding 108, type: u16}
  r110: {at: holding 109, type: u16}
  in9:  {at: input 8, type: u16}`)
	p := m.Plan(fleet.Normal)
	blocks := []registermap.Block{{registermap.Holding, 0x6B, 3}, {registermap.Inputs, 8, 1}} // as in the request PDUs
	if len(p.Blocks) != 2 || p.Blocks[0] != blocks[0] || p.Blocks[1] != blocks[1] {
		t.Fatalf("blocks are %v, want %v", p.Blocks, blocks)
	}
	if f := p.Blocks[0].Table.Function(); f != 3 {
		t.Errorf("holding registers are read by function %d, want 3", f)
	}
	values := make([]fleet.Value, 4)
	p.Reset(values)
	p.DecodeRegisters(0, wordsOf(t, "022B00000064"), values) // 6.3
	p.DecodeRegisters(1, wordsOf(t, "000A"), values)         // 6.4
	p.Finish(values)
	for i, want := range []float64{555, 0, 100, 10} {
		wants(t, p.Layout.Points[i].Name, values[i], want, fleet.Good)
	}
}

// The response data of the examples in the Modbus Application Protocol V1.1b3, 6.1 (outputs 20 to 38) and 6.2 (inputs 197
// to 218). The lowest bit of the first byte is the first output.
func TestModbusBitExamples(t *testing.T) {
	tests := []struct {
		table       string
		first, last int // numbers from 1
		data        string
		ones        string // from the first on
	}{
		{"coil", 20, 38, "CD6B05", "1011001111010110101"},
		{"discrete", 197, 218, "ACDB35", "0011010111011011101011"},
	}
	for _, tt := range tests {
		points := ""
		for n := tt.first; n <= tt.last; n++ {
			points += fmt.Sprintf("  p%d: {at: %s %d}\n", n, tt.table, n-1)
		}
		p := parse(t, points).Plan(fleet.Normal)
		if len(p.Blocks) != 1 || int(p.Blocks[0].Start) != tt.first-1 || int(p.Blocks[0].Count) != tt.last-tt.first+1 {
			t.Fatalf("blocks are %v, want one from %d", p.Blocks, tt.first-1)
		}
		data := bytesOf(t, tt.data)
		bits := make([]bool, p.Blocks[0].Count)
		for i := range bits {
			bits[i] = data[i/8]>>(i%8)&1 != 0
		}
		values := make([]fleet.Value, len(bits))
		p.DecodeBits(0, bits, values)
		p.Finish(values)
		for i, one := range tt.ones {
			wants(t, p.Layout.Points[i].Name, values[i], float64(one-'0'), fleet.Good)
		}
	}
}

// Values of IEEE 754 and two's complement with their registers in the big word order. Sources: the unit tests of
// pymodbus (27123.5, 3.14…, 147552.502453, integers, text) and libmodbus (123456.0); the others are from memory and were
// computed again.
func TestPublishedNumbers(t *testing.T) {
	tests := []struct {
		entry, registers string
		want             float64
	}{
		{"type: f32", "3F800000", 1},
		{"type: f32", "C0000000", -2},
		{"type: f32", "3E200000", 0.15625},
		{"type: f32", "42AA4000", 85.125},
		{"type: f32", "C2ED4000", -118.625},
		{"type: f32", "46D3E700", 27123.5},
		{"type: f32", "47F12000", 123456},
		{"type: f64", "3FF0000000000000", 1},
		{"type: f64", "3FC4000000000000", 0.15625},
		{"type: f64", "C05DA80000000000", -118.625},
		{"type: f64", "40DA7CE000000000", 27123.5},
		{"type: f64", "400921FB54442D11", 3.14159265358979},
		{"type: f64", "40FE240000000000", 123456},
		{"type: u16", "69F3", 27123},
		{"type: s16", "960D", -27123},
		{"type: s16", "8102", -32510},
		{"type: u32", "01EA810E", 32145678},
		{"type: s32", "FE157EF2", -32145678},
		{"type: bcd16", "1234", 1234}, // common practice, no source
		{"type: bcd32", "12345678", 12345678},
	}
	for _, tt := range tests {
		wants(t, tt.entry+" "+tt.registers, decode(t, tt.entry, wordsOf(t, tt.registers)...), tt.want, fleet.Good)
	}
	// Beyond 2^53 a float64 rounds; Raw keeps all bits. Values of the pymodbus unit tests.
	if v := decode(t, "type: u64", 0x1122, 0x10F4, 0x7DE9, 0x8115); v.Raw != 1234567890123456789 {
		t.Errorf("u64 = %d, want 1234567890123456789", v.Raw)
	}
	if v := decode(t, "type: s64", 0xEEDD, 0xEF0B, 0x8216, 0x7EEB); int64(v.Raw) != -1234567890123456789 {
		t.Errorf("s64 = %d, want -1234567890123456789", int64(v.Raw))
	}
	if v := decode(t, "type: text, length: 3", 0x6162, 0x6364, 0xC387); v.Text != "abcdÇ" || v.Quality != fleet.Good {
		t.Errorf("text = %q (%s), want abcdÇ", v.Text, v.Quality)
	}
}

// One float and one integer in all four word orders. Sources: the unit tests of libmodbus (the float) and pymodbus (the
// integer, big and swapped; its other two orders were computed).
func TestPublishedWordOrders(t *testing.T) {
	tests := []struct{ words, float, integer string }{
		{"big", "47F12000", "01EA810E"},
		{"swapped", "200047F1", "810E01EA"},
		{"byteswapped", "F1470020", "EA010E81"},
		{"little", "0020F147", "0E81EA01"},
	}
	for _, tt := range tests {
		entry := ", words: " + tt.words
		wants(t, "f32"+entry, decode(t, "type: f32"+entry, wordsOf(t, tt.float)...), 123456, fleet.Good)
		wants(t, "u32"+entry, decode(t, "type: u32"+entry, wordsOf(t, tt.integer)...), 32145678, fleet.Good)
	}
}

// The values by which SunSpec devices say 'not implemented' (Device Information Model Specification 6.4, and pysunspec2).
// Accumulators have 0, which is a value too; a map has to say so.
func TestSunSpecNotImplemented(t *testing.T) {
	tests := []struct{ entry, registers string }{
		{"type: s16, absent: 0x8000", "8000"},
		{"type: s16, absent: -32768", "8000"},
		{"type: u16, absent: 0xFFFF", "FFFF"},
		{"type: s32, absent: 0x80000000", "80000000"},
		{"type: u32, absent: 0xFFFFFFFF", "FFFFFFFF"},
		{"type: s64, absent: 0x8000000000000000", "8000000000000000"},
		{"type: u64, absent: 0xFFFFFFFFFFFFFFFF", "FFFFFFFFFFFFFFFF"},
		{"type: u32, absent: 0", "00000000"},
		{"type: f32", "7FC00000"},
		{"type: f64", "7FF8000000000000"},
		{"type: f32", "FFC00001"},         // any not-a-number will do
		{"type: f64", "7FF8000000000001"}, // Go's own
		{"type: text, length: 2", "00000000"},
	}
	for _, tt := range tests {
		wants(t, tt.entry+" "+tt.registers, decode(t, tt.entry, wordsOf(t, tt.registers)...), 0, fleet.Absent)
	}
	for _, registers := range []string{"7F800000", "FF800000"} {
		wants(t, "infinite f32", decode(t, "type: f32", wordsOf(t, registers)...), 0, fleet.Undefined)
	}
}

// SunSpec scale factors: value = raw x 10^sf, from -10 to 10 (schema.json of the models; Device Information Model
// Specification 4.2.4). The results are the nearest float64 of the decimal number, not a product of rounded ones.
func TestSunSpecScaleFactors(t *testing.T) {
	m := parse(t, `
  sf:    {at: holding 0, type: s16}
  value: {at: holding 1, type: s16, scale_from: sf, absent: 0x8000}`)
	p := m.Plan(fleet.Normal)
	tests := []struct {
		raw, sf int16
		want    float64
		quality fleet.Quality
	}{
		{2301, -1, 230.1, fleet.Good},
		{1234, -1, 123.4, fleet.Good},
		{-1234, -3, -1.234, fleet.Good},
		{1340, -2, 13.4, fleet.Good},
		{7, 3, 7000, fleet.Good},
		{1, 10, 1e10, fleet.Good},
		{3, -10, 3e-10, fleet.Good},
		{2301, -32768, 0, fleet.Absent}, // a scale factor that is not implemented: no usable value (common practice, no source)
		{2301, 11, 0, fleet.Undefined},
		{2301, -11, 0, fleet.Undefined},
		{-32768, -1, 0, fleet.Absent},
	}
	for _, tt := range tests {
		values := make([]fleet.Value, 2)
		p.Reset(values)
		p.DecodeRegisters(0, []uint16{uint16(tt.sf), uint16(tt.raw)}, values)
		p.Finish(values)
		wants(t, fmt.Sprintf("raw %d, scale factor %d", tt.raw, tt.sf), values[1], tt.want, tt.quality)
		p.Finish(values) // again changes nothing
		wants(t, fmt.Sprintf("raw %d, scale factor %d, finished twice", tt.raw, tt.sf), values[1], tt.want, tt.quality)
	}
}
