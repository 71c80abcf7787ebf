package store_test

import (
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// The points of a period are all that there were in it: those of a map that is long gone, too, folded or not, and those of
// which nothing but rollups is left.
func TestPointsOfAPeriod(t *testing.T) {
	s := openIn(t, time.UTC)
	old := fleet.NewLayout([]fleet.Point{
		{Name: "warmth", Quantity: fleet.BatteryTemperature, Unit: fleet.Celsius, Mul: 1, Div: 10, Bits: 16},
		{Name: "volts", Unit: fleet.Plain, Mul: 1, Div: 1, Bits: 16},
		{Name: "version", Quantity: fleet.Firmware, Form: fleet.FormText, Mul: 1, Div: 1},
	})
	for day := range 5 {
		at := noon.AddDate(0, 0, day)
		if day < 2 {
			appendFrames(t, s, coded(old, at, []uint64{250, 480, 0}, []uint64{251, 480, 0})...)
		} else {
			appendFrames(t, s, reading("mill/north/alder", at, 480, 1))
		}
	}
	want := func(when string, from, to time.Time, names ...string) {
		t.Helper()
		points, err := s.Points(t.Context(), "mill/north/alder", from, to)
		var got []string
		for _, p := range points {
			got = append(got, p.Name+" "+string(p.Unit))
		}
		if len(got) != len(names) || err != nil {
			t.Fatalf("%s: %q, %v; want %q", when, got, err, names)
		}
		for i := range got {
			if got[i] != names[i] {
				t.Errorf("%s: %q, want %q", when, got, names)
			}
		}
	}
	two := noon.AddDate(0, 0, 2).Add(-12 * time.Hour) // midnight
	check := func(when string) {
		want(when+", all", time.Time{}, time.Time{}, "volts V", "watts W", "warmth °C")
		want(when+", the first days", time.Time{}, two, "volts ", "warmth °C")
		want(when+", the last days", two, time.Time{}, "volts V", "watts W")
	}
	check("in the journal")
	if err := s.Fold(t.Context(), noon.AddDate(0, 0, 4)); err != nil {
		t.Fatal(err)
	}
	check("folded")
	if _, err := s.DropBefore(t.Context(), store.KindRaw, two.Add(-6*time.Hour)); err != nil {
		t.Fatal(err)
	}
	want("rollups alone", time.Time{}, time.Time{}, "volts V", "watts W", "warmth °C")
	if points, err := s.Points(t.Context(), "mill/north/birch", time.Time{}, time.Time{}); len(points) != 0 || err != nil {
		t.Errorf("of another controller: %v, %v", points, err)
	}
}
