package registermap_test

import (
	"fmt"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// The bridge is what FORMAT.md says: so many unread registers are read through, one more is split at. Sixteen coils cost
// what a register costs.
func TestBridge(t *testing.T) {
	tests := []struct {
		table        string
		bridge, hole int
		blocks       int
	}{
		{"holding", 12, 12, 1},
		{"holding", 12, 13, 2},
		{"holding", 100, 100, 1},
		{"holding", 100, 101, 2},
		{"input", 0, 0, 1},
		{"input", 0, 1, 2},
		{"coil", 2, 32, 1},
		{"coil", 2, 33, 2},
		{"discrete", 1, 16, 1},
		{"discrete", 1, 17, 2},
	}
	for _, tt := range tests {
		ty := "u16"
		if tt.table == "coil" || tt.table == "discrete" {
			ty = "bit"
		}
		m, err := registermap.Parse("m.yaml", []byte(fmt.Sprintf(
			"{format: 1, model: m, reads: {bridge: %d}, points: {a: {at: %s 7, type: %s}, b: {at: %s %d, type: %s}}}",
			tt.bridge, tt.table, ty, tt.table, 8+tt.hole, ty)))
		if err != nil {
			t.Fatal(err)
		}
		if blocks := m.Plan(fleet.Normal).Blocks; len(blocks) != tt.blocks {
			t.Errorf("bridge %d, %d of %s unread between two points: %v, want %d requests", tt.bridge, tt.hole, tt.table, blocks, tt.blocks)
		}
	}
}

// The example maps' plans, as a field engineer would see them on the wire.
func TestExamplePlans(t *testing.T) {
	got := ""
	maps := exampleMaps(t)
	for _, name := range []string{"larkspur", "sedge", "teasel"} {
		m := maps["maps/"+name+".yaml"]
		for _, g := range fleet.Groups {
			got += fmt.Sprintf("%s %s:", name, g)
			for _, b := range m.Plan(g).Blocks {
				got += fmt.Sprintf(" %s %d+%d", b.Table, b.Start, b.Count)
			}
			got += "\n"
		}
	}
	golden(t, "testdata/plans.want", got)
}

// An exponent goes with the points that it scales, so that both are of one instant.
func TestExponentsArePolledWithTheirPoints(t *testing.T) {
	m := parse(t, `
  sf:  {at: holding 0, type: s16}
  set: {at: holding 1, type: u16, scale_from: sf, unit: V, quantity: setpoint.float}`)
	if p := m.Plan(fleet.Slow); p == nil || len(p.Layout.Points) != 2 || m.Plan(fleet.Normal) != nil {
		t.Errorf("slow plan %v, normal plan %v; want both points in slow", p, m.Plan(fleet.Normal))
	}
}

// The same file read twice gives layouts that everybody takes for equal, and one plan per group and map.
func TestLayoutsAreStable(t *testing.T) {
	a, b := exampleMaps(t), exampleMaps(t)
	for path := range a {
		for _, g := range fleet.Groups {
			if first, second := a[path].Plan(g), a[path].Plan(g); first != second {
				t.Errorf("%s %s: another plan each time", path, g)
			}
			if x, y := a[path].Plan(g).Layout.ID, b[path].Plan(g).Layout.ID; x != y {
				t.Errorf("%s %s: layouts %s and %s", path, g, x, y)
			}
		}
	}
}

// Values that were of another layout, texts included, must not shine through.
func TestResetForgets(t *testing.T) {
	p := parse(t, "  a: {at: holding 0, type: u16}").Plan(fleet.Normal)
	values := []fleet.Value{{Number: 1, Raw: 2, Text: "old", Quality: fleet.Good}}
	p.Reset(values)
	if values[0] != (fleet.Value{}) {
		t.Errorf("after Reset: %+v", values[0])
	}
}

// A reading that equals a bound is plausible, whatever rounding its unit brings.
func TestBoundsAreWithin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Int16Range(1, 32000).Draw(t, "raw")
		digits := rapid.Int64Range(1, 999).Draw(t, "digits")
		unit := rapid.SampledFrom([]string{"°F", "K", "mV", "kWh", "rpm"}).Draw(t, "unit")
		bound := new(big.Rat).SetFrac64(int64(raw)*digits, 1000)
		bound.Add(bound, big.NewRat(-7, 10))
		m, err := registermap.Parse("m.yaml", []byte(fmt.Sprintf(
			"{format: 1, model: m, points: {low: {at: holding 0, type: s16, scale: %de-3, offset: -0.7, unit: %s, plausible: [%s, 1e9]},"+
				" high: {at: holding 1, type: s16, scale: %de-3, offset: -0.7, unit: %s, plausible: [-1e9, %s]}}}",
			digits, unit, bound.FloatString(3), digits, unit, bound.FloatString(3))))
		if err != nil {
			t.Fatal(err)
		}
		p, values := m.Plan(fleet.Normal), make([]fleet.Value, 2)
		p.DecodeRegisters(0, []uint16{uint16(raw), uint16(raw)}, values)
		if values[0].Quality != fleet.Good || values[1].Quality != fleet.Good {
			t.Fatalf("at the bound %s %s: %s and %s", bound.FloatString(3), unit, values[0].Quality, values[1].Quality)
		}
		p.DecodeRegisters(0, []uint16{uint16(raw) - 1, uint16(raw) + 1}, values)
		if q := []fleet.Quality{values[0].Quality, values[1].Quality}; !slices.Equal(q, []fleet.Quality{fleet.Implausible, fleet.Implausible}) {
			t.Fatalf("beyond the bound %s %s: %v", bound.FloatString(3), unit, q)
		}
	})
}

// A plan for some quantities reads those, with what scales them, and touches nothing else.
func TestPlanForQuantities(t *testing.T) {
	m, err := registermap.Parse("m.yaml", []byte(`{format: 1, model: m, reads: {forbidden: [4]}, points: {
		volts: {at: holding 1, type: u16, unit: V, quantity: battery.voltage}, good: {at: holding 2, type: u16, quantity: link.good, scale_from: by},
		by: {at: holding 6, type: s16, poll: fast}, bad: {at: holding 3, type: u16, quantity: link.bad}}}`))
	if err != nil {
		t.Fatal(err)
	}
	p := m.PlanFor(fleet.LinkGood, fleet.LinkBad, fleet.LinkAge)
	want := []registermap.Block{{Table: registermap.Holding, Start: 2, Count: 2}, {Table: registermap.Holding, Start: 6, Count: 1}}
	if !slices.Equal(p.Blocks, want) || len(p.Layout.Points) != 3 {
		t.Errorf("%v of %d points, want %v of 3", p.Blocks, len(p.Layout.Points), want)
	}
	values := make([]fleet.Value, 3)
	p.Reset(values)
	p.DecodeRegisters(0, []uint16{7, 2}, values)
	p.DecodeRegisters(1, []uint16{1}, values)
	p.Finish(values)
	if i, ok := p.Layout.Index(fleet.LinkGood); !ok || values[i].Number != 70 {
		t.Errorf("the counter is %v, want 7 tens", values[i].Number)
	}
	if m.PlanFor(fleet.LinkAge) != nil || m.PlanFor() != nil {
		t.Error("there is a plan for what the map does not have")
	}
}
