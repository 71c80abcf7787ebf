package registermap_test

import (
	"fmt"
	"slices"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A decoding is one plan with the answers to its blocks.
type decoding struct {
	plan   *registermap.Plan
	words  [][]uint16
	bits   [][]bool
	values []fleet.Value
}

func (d *decoding) run() {
	d.plan.Reset(d.values)
	for i, b := range d.plan.Blocks {
		if b.Table.Bits() {
			d.plan.DecodeBits(i, d.bits[i], d.values)
		} else {
			d.plan.DecodeRegisters(i, d.words[i], d.values)
		}
	}
	d.plan.Finish(d.values)
}

// decodings returns every poll group of the example maps, with the registers of a unit that is at work.
func decodings(t testing.TB) (all []*decoding, points int) {
	maps := exampleMaps(t)
	paths := make([]string, 0, len(maps))
	for path := range maps {
		paths = append(paths, path)
	}
	slices.Sort(paths)
	for _, path := range paths {
		im := working(t, maps[path])
		for _, g := range fleet.Groups {
			d := &decoding{plan: maps[path].Plan(g)}
			d.values = make([]fleet.Value, len(d.plan.Layout.Points))
			points += len(d.values)
			for _, b := range d.plan.Blocks {
				words, bits := make([]uint16, b.Count), make([]bool, b.Count)
				var err error
				if b.Table.Bits() {
					err = im.ReadBits(b.Table, b.Start, b.Count, bits)
				} else {
					err = im.ReadRegisters(b.Table, b.Start, b.Count, words)
				}
				if err != nil {
					t.Fatal(err)
				}
				d.words, d.bits = append(d.words, words), append(d.bits, bits)
			}
			d.run()
			for i, v := range d.values {
				if v.Quality != fleet.Good {
					t.Fatalf("%s: %s is %s; the benchmark is of good values", path, d.plan.Layout.Points[i].Name, v.Quality)
				}
			}
			all = append(all, d)
		}
	}
	return all, points
}

// working returns the registers of a unit with every point set.
func working(t testing.TB, m *registermap.Map) *registermap.Image {
	im := m.NewImage()
	for i, pt := range m.Points() {
		v := fleet.Value{Number: 1, Quality: fleet.Good, Text: "LK-0042"}
		switch pt.Unit {
		case fleet.Volt:
			v.Number = 13.4
		case fleet.Celsius:
			v.Number = 21.5
		case fleet.VoltPerCelsiusCell:
			v.Number = -0.004
		case fleet.Watt:
			v.Number = 290
		}
		if pt.Quantity == fleet.QuantityStage {
			v.Number = float64(fleet.Bulk)
		}
		if err := im.Set(i, v); err != nil {
			t.Fatal(err)
		}
	}
	return im
}

// BenchmarkDecode decodes all points of the three example maps, text and exponents included, on one core.
func BenchmarkDecode(b *testing.B) {
	all, points := decodings(b)
	run := func() {
		for _, d := range all {
			d.run()
		}
	}
	b.ReportAllocs()
	loops := 0
	for b.Loop() {
		run()
		loops++
	}
	perSecond := float64(points) * float64(loops) / b.Elapsed().Seconds()
	b.ReportMetric(perSecond, "points/s")
	fmt.Printf("\nbar decode = %.3g points/s (want >= 20e6)\n", perSecond)
	fmt.Printf("bar decode-allocs = %g allocs/op (want <= 0)\n", testing.AllocsPerRun(1000, run))
}

// BenchmarkPlan plans a large map: what a reload costs for each distinct map.
func BenchmarkPlan(b *testing.B) {
	points := ""
	for i := range 400 {
		points += fmt.Sprintf("  p%d: {at: holding %d, type: u16}\n", i, i*3)
	}
	text := []byte("format: 1\nmodel: large\npoints:\n" + points)
	for b.Loop() {
		if _, err := registermap.Parse("large.yaml", text); err != nil {
			b.Fatal(err)
		}
	}
}

// Decoding every point of the example maps again and again takes no memory, texts included.
func TestDecodingTakesNoMemory(t *testing.T) {
	all, _ := decodings(t)
	if allocs := testing.AllocsPerRun(100, func() {
		for _, d := range all {
			d.run()
		}
	}); allocs != 0 {
		t.Errorf("decoding took %v allocations", allocs)
	}
}
