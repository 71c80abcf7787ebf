package registermap_test

import (
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// parse reads a map with the given points, written as in a file.
func parse(t testing.TB, points string) *registermap.Map {
	t.Helper()
	m, err := registermap.Parse("test.yaml", []byte("format: 1\nmodel: Bench unit\npoints:\n"+points+"\n"))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// decode decodes the registers of a map's only point, written as the rest of its entry, as in "type: u16, scale: 0.1".
func decode(t testing.TB, entry string, words ...uint16) fleet.Value {
	t.Helper()
	m := parse(t, "  p: {at: holding 0, "+entry+"}")
	p := m.Plan(m.Points()[0].Group)
	if len(p.Blocks) != 1 || int(p.Blocks[0].Count) != len(words) {
		t.Fatalf("%s is read by %v; the test has %d registers", entry, p.Blocks, len(words))
	}
	values := make([]fleet.Value, 1)
	p.Reset(values)
	p.DecodeRegisters(0, words, values)
	p.Finish(values)
	return values[0]
}

// wants holds a value against what it should be; only the quality counts where it is not good.
func wants(t testing.TB, what string, got fleet.Value, number float64, q fleet.Quality) {
	t.Helper()
	if got.Quality != q || (q == fleet.Good || q == fleet.Implausible) && got.Number != number {
		t.Errorf("%s = %v (%s), want %v (%s)", what, got.Number, got.Quality, number, q)
	}
}
