package store_test

import (
	"path/filepath"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A map calls a register a power, then a voltage, then a power again: each hour and each day says which it is of, while it is
// read from what came in, once it is rolled up, and when the readings are gone; also over a time without any, and when
// readings of the voltage come late among those of the power.
func TestRollupsSayWhatTheyAreOf(t *testing.T) {
	power := one(fleet.Point{Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16})
	volts := one(fleet.Point{Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 1, Bits: 16})
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s := storetest.OpenPath(t, path)
	at := noon
	read := func(l *fleet.Layout, raw uint64, lasts time.Duration) {
		var frames []fleet.Frame
		for end := at.Add(lasts); at.Before(end); at = at.Add(10 * time.Minute) {
			frames = append(frames, coded(l, at, []uint64{raw})...)
		}
		appendFrames(t, s, frames...)
	}
	check := func(when string) {
		t.Helper()
		for _, r := range []store.Resolution{store.Hour, store.Day} {
			points, err := s.Points(t.Context(), "mill/north/alder", time.Time{}, time.Time{})
			if err != nil || len(points) != 1 {
				t.Fatalf("Points() = %+v, %v", points, err)
			}
			meant, err := s.Meant(t.Context(), "mill/north/alder", points[0], time.Time{})
			if err != nil {
				t.Fatal(err)
			}
			for _, o := range rolled(t, s, "mill/north/alder", "reading", r) {
				if o.Count == 0 {
					continue
				}
				want := fleet.Watt
				if o.Last == 48 {
					want = fleet.Volt
				}
				if p := meant(&o); p.Unit != want || o.Mean != o.Last {
					t.Errorf("%s: %v from %v has the mean %v and the last %v, in %q", when, r, o.Start, o.Mean, o.Last, p.Unit)
				}
			}
		}
	}
	fold := func(lag time.Duration) {
		t.Helper()
		if err := s.Fold(t.Context(), at.Add(-lag)); err != nil {
			t.Fatal(err)
		}
	}
	read(power, 100, 63*time.Hour)
	check("one meaning")
	fold(time.Hour)
	read(volts, 48, 20*time.Minute)
	check("changed just now")
	read(volts, 48, 30*time.Hour)
	check("changed")
	fold(15 * time.Hour)
	check("changed and folded in part")
	fold(0)
	check("changed and folded")
	at = at.Add(75 * time.Hour)
	read(power, 100, 50*time.Hour)
	fold(time.Hour)
	check("changed back, after a gap")
	u, err := s.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range u.Buckets {
		if b.Name == "meanings" && b.Records != 3 {
			t.Errorf("%d records of three meanings", b.Records)
		}
	}
	if _, err := s.DropBefore(t.Context(), store.KindRaw, at.Add(-2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	check("without the readings")

	end := at
	at = end.Add(3 * 24 * time.Hour)
	read(power, 100, 48*time.Hour)
	fold(0)
	at = end.Add(24 * time.Hour)
	read(volts, 48, time.Hour) // late
	at = end.Add(6 * 24 * time.Hour)
	fold(0)
	check("late readings of another meaning")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

// Two controllers whose maps give one name to different things never changed anything: nothing is put down for them.
func TestControllersWithOtherMaps(t *testing.T) {
	s := storetest.OpenPath(t, filepath.Join(t.TempDir(), "ringwarden.db"))
	units := map[fleet.ControllerID]fleet.Unit{"mill/north/alder": fleet.Watt, "mill/north/birch": fleet.Volt}
	for id, unit := range units {
		l := one(fleet.Point{Unit: unit, Mul: 1, Div: 1, Bits: 16})
		var frames []fleet.Frame
		for i := range 3 * 144 {
			f := coded(l, noon.Add(time.Duration(i)*10*time.Minute), []uint64{5})[0]
			f.Controller = id
			frames = append(frames, f)
		}
		appendFrames(t, s, frames...)
	}
	if err := s.Fold(t.Context(), noon.Add(60*time.Hour)); err != nil {
		t.Fatal(err)
	}
	for id, unit := range units {
		meant, err := s.Meant(t.Context(), id, fleet.Point{Name: "reading", Unit: unit}, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range rolled(t, s, id, "reading", store.Hour) {
			if p := meant(&o); p.Unit != unit {
				t.Fatalf("the hour from %v of %s is in %q", o.Start, id, p.Unit)
			}
		}
	}
	u, err := s.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range u.Buckets {
		if b.Name == "meanings" {
			t.Errorf("%d records of what never changed", b.Records)
		}
	}
}
