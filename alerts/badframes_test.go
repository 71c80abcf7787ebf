package alerts_test

import (
	"math"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/simulator"
)

// spoilt puts, beside each true frame now and then, one that no device has sent so: twice, late, from the future, with
// values that are no numbers, with codes that the map cannot name, of an unknown controller, cut short. It returns what
// the engine must have counted.
func spoilt(e *alerts.Engine, f *fleet.Frame, n int) (odd alerts.Counts) {
	e.Put(f)
	bad := f.Clone()
	every := func(values func(*fleet.Value)) {
		for i := range bad.Values {
			values(&bad.Values[i])
		}
	}
	switch n % 23 {
	case 1:
		odd.Doubled++
	case 4:
		bad.At = f.At.Add(-time.Hour)
		odd.Late++
	case 7:
		bad.At = f.At.AddDate(1, 0, 0)
		odd.Future++
	case 10:
		bad.Controller = "mill/north/stranger"
		odd.UnknownController++
	case 13:
		bad.At, bad.Values = f.At.Add(time.Millisecond), nil
		odd.Malformed++
	case 16:
		bad.At = f.At.Add(time.Millisecond)
		every(func(v *fleet.Value) { v.Number, v.Quality = math.NaN(), fleet.Good })
		odd.NotFinite++
	case 19:
		bad.At = f.At.Add(time.Millisecond)
		every(func(v *fleet.Value) { v.Raw, v.Number, v.Quality = 99, 0, fleet.Undefined })
		odd.Undefined++
	default:
		return odd
	}
	if bad.Outcome == fleet.Answered {
		e.Put(bad)
	}
	return odd
}

// One frame in three is followed by an odd one, for three hours of a healthy ring: all of them are counted, and nobody
// hears of a fault of the plant.
func TestOddFramesAreCountedAndRaiseNothing(t *testing.T) {
	f := healthyFleet(5)
	f.Periods = fleet.Periods{Fast: 5 * time.Second, Normal: 10 * time.Second, Slow: time.Minute}
	p, err := simulator.New(f, loadMaps(t, f), simulator.Options{Seed: 3, Charge: 0.8})
	if err != nil {
		t.Fatal(err)
	}
	e := alerts.New(f)
	p.Advance(p.Now().Add(time.Second)) // before its first step a plant has no voltages
	var changes []fleet.Change
	var frame fleet.Frame
	var odd alerts.Counts
	n := 0
	for start, at := p.Now(), time.Duration(0); at <= 3*time.Hour; at += f.Periods.Fast {
		p.Advance(start.Add(at))
		changes = append(changes, e.Advance(start.Add(at))...)
		for _, g := range fleet.Groups {
			for _, c := range f.Sites[0].Rings[0].Controllers {
				if at%f.Periods.Of(g) != 0 || !p.Frame(c.ID, g, &frame) {
					continue
				}
				n++
				c := spoilt(e, &frame, n)
				odd.Doubled += c.Doubled
				odd.Late += c.Late
				odd.Future += c.Future
				odd.UnknownController += c.UnknownController
				odd.Malformed += c.Malformed
				odd.NotFinite += c.NotFinite
				odd.Undefined += c.Undefined
			}
		}
	}
	logChanges(t, p.Start(), changes)
	if len(changes) > 0 {
		t.Errorf("%d changes, want none", len(changes))
	}
	got := e.Counts()
	if got.Doubled != odd.Doubled || got.Late != odd.Late || got.Future != odd.Future || got.UnknownController != odd.UnknownController || got.Malformed != odd.Malformed {
		t.Errorf("counted %+v of frames, want %+v", got, odd)
	}
	// Of these each frame has several values.
	if odd.NotFinite == 0 || got.NotFinite < odd.NotFinite || got.Undefined < odd.Undefined {
		t.Errorf("counted %d and %d values in %d and %d frames", got.NotFinite, got.Undefined, odd.NotFinite, odd.Undefined)
	}
}
