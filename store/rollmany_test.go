package store_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// A report that reads many points at once must say the same as one that reads them one after the other: with counters that
// begin anew, readings that are missing, a map that changes, two poll groups, and days that are folded, half folded, and
// not.
func TestManyPointsReadAsOne(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	s := openIn(t, zone)
	points := []string{"watts", "lifetime", "stage", "uptime", "good", "text", "nothing of that name"}
	first := noon.AddDate(0, 0, -3)
	for at := first; at.Before(noon); at = at.Add(time.Minute) {
		appendFrames(t, s, manyPointed(at, int(at.Sub(first)/time.Minute))...)
	}
	midnight := noon.Add(-12 * time.Hour)
	check := func(when string) {
		t.Helper()
		for _, r := range []store.Resolution{store.FiveMinutes, store.Hour, store.Day} {
			for _, from := range []time.Time{{}, noon.Add(-7 * time.Hour), midnight.Add(-30 * time.Minute), noon} {
				compareMany(t, s, fmt.Sprintf("%s, %s from %v", when, r, from), points, r, from, noon.Add(-time.Hour))
			}
		}
	}
	check("in the journal")
	if err := s.Fold(t.Context(), midnight.Add(-20*time.Hour)); err != nil {
		t.Fatal(err)
	}
	check("folded in part")
	appendFrames(t, s, manyPointed(first.Add(90*time.Second), 7)...) // late, into a day that is folded
	check("with late frames")
	if err := s.Fold(t.Context(), noon.AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	check("folded")
	if _, err := s.DropBefore(t.Context(), store.KindRaw, midnight.Add(-6*time.Hour)); err != nil {
		t.Fatal(err)
	}
	check("with raw frames dropped")
}

// compareMany reads points at once and one by one.
func compareMany(t *testing.T, s *store.Store, when string, points []string, r store.Resolution, from, to time.Time) {
	t.Helper()
	many, err := s.RollupsOf(t.Context(), "mill/north/alder", points, r, from, to)
	if err != nil || len(many) != len(points) {
		t.Fatalf("%s: %d of %d points, %v", when, len(many), len(points), err)
	}
	for i, point := range points {
		var one []store.Rollup
		for o, err := range s.Rollups(t.Context(), "mill/north/alder", point, r, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			one = append(one, o)
		}
		if !slices.EqualFunc(many[i], one, sameBits) {
			t.Errorf("%s: %s read with others is\n%+v\nand alone\n%+v", when, point, many[i], one)
		}
		wanted := i < 5 && (from.IsZero() || r != store.Day && from.Before(to)) // no day begins later
		if wanted != (len(one) > 0) {
			t.Errorf("%s: %s has %d rollups", when, point, len(one))
		}
	}
}

func sameBits(a, b store.Rollup) bool {
	return a == b && math.Float64bits(a.Min) == math.Float64bits(b.Min) && math.Float64bits(a.Mean) == math.Float64bits(b.Mean) &&
		math.Float64bits(a.Max) == math.Float64bits(b.Max) && math.Float64bits(a.Last) == math.Float64bits(b.Last) &&
		math.Float64bits(a.Total) == math.Float64bits(b.Total)
}

// manyPointed returns the frames of a minute: two poll groups that share a point, and in every other hour another map.
func manyPointed(at time.Time, minute int) []fleet.Frame {
	watts := fleet.Point{Name: "watts", Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16}
	if minute/60%2 == 1 {
		watts.Mul = 10
	}
	fast := fleet.NewLayout([]fleet.Point{
		watts,
		{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 16},
		{Name: "good", Quantity: fleet.LinkGood, Counter: true, Mul: 1, Div: 1, Bits: 16},
		{Name: "text", Form: fleet.FormText, Mul: 1, Div: 1},
	})
	slow := fleet.NewLayout([]fleet.Point{
		{Name: "lifetime", Quantity: fleet.EnergyLifetime, Unit: fleet.Joule, Counter: true, Mul: 360000, Div: 1, Bits: 16},
		{Name: "uptime", Quantity: fleet.Uptime, Unit: fleet.Second, Mul: 1, Div: 1, Bits: 32},
		{Name: "good", Quantity: fleet.LinkGood, Counter: true, Mul: 1, Div: 1, Bits: 16},
	})
	since := uint64(minute % 700) // it starts anew now and then
	row := func(l *fleet.Layout, g fleet.Group, raws ...uint64) fleet.Frame {
		f := fleet.Frame{Controller: "mill/north/alder", At: at, Group: g, Outcome: fleet.Answered, Layout: l}
		for i, raw := range raws {
			v := fleet.Value{Raw: raw, Number: l.Points[i].Number(raw), Quality: fleet.Good}
			if minute%37 == i {
				v = fleet.Value{Number: math.NaN(), Quality: fleet.Absent}
			}
			f.Values = append(f.Values, v)
		}
		return f
	}
	frames := []fleet.Frame{row(fast, fleet.Fast, uint64(minute*7919%4001), uint64(minute/50%7), since*61, 0)}
	frames[0].Values[3] = fleet.Value{Text: fmt.Sprint("unit ", minute%3), Number: math.NaN(), Quality: fleet.Good}
	if minute%3 == 0 {
		frames = append(frames, row(slow, fleet.Slow, uint64(65000+minute)%65536, since*60, since*61))
	}
	if minute%101 == 0 {
		frames = []fleet.Frame{{Controller: "mill/north/alder", At: at, Outcome: fleet.Silent}}
	}
	other := frames[0]
	other.Controller = "mill/north/birch"
	return append(frames, other)
}
