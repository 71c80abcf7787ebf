package store_test

import (
	"math"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

func rolled(t *testing.T, s *store.Store, id fleet.ControllerID, point string, r store.Resolution) []store.Rollup {
	t.Helper()
	var got []store.Rollup
	for o, err := range s.Rollups(t.Context(), id, point, r, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, o)
	}
	return got
}

// IEC 61724-1's final yield wants energy that neither bridges a gap nor drops a sample. The figures: a power that rises
// from 0 to 3600 W within an hour is 1800 W x 3600 s = 6.48 MJ (area of a triangle), and half an hour without data
// leaves coverage at a half.
func TestEnergyIsTheAreaUnderThePower(t *testing.T) {
	s := openIn(t, time.UTC)
	var frames []fleet.Frame
	for i := range 361 {
		frames = append(frames, reading("mill/north/alder", noon.Add(time.Duration(i)*10*time.Second), 480, uint64(i*10)))
	}
	for i := range 181 {
		frames = append(frames, reading("mill/north/birch", noon.Add(time.Duration(i)*10*time.Second), 480, 1000))
	}
	appendFrames(t, s, frames...)
	got := rolled(t, s, "mill/north/alder", "watts", store.Hour)[0]
	if got.Total != 6.48e6 || got.Coverage() != 1 || got.Count != 360 || got.Max != 3590 || got.Mean != 1795 {
		t.Errorf("a ramp to 3600 W: %+v", got)
	}
	got = rolled(t, s, "mill/north/birch", "watts", store.Hour)[0]
	if got.Total != 1.8e6 || got.Coverage() != 0.5 {
		t.Errorf("1000 W for half an hour: %+v, coverage %v", got, got.Coverage())
	}
	sum := 0.0
	for _, o := range rolled(t, s, "mill/north/alder", "watts", store.FiveMinutes) {
		sum += o.Total
	}
	if math.Abs(sum-6.48e6) > 0.01 {
		t.Errorf("the five minutes of the hour add up to %v J", sum)
	}
}

// Two days a year have 23 and 25 hours in Dublin (tz database: 29 March and 25 October 2026).
func TestDaysOfTwentyThreeAndTwentyFiveHours(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		day  time.Time
		want time.Duration
	}{
		{time.Date(2026, 3, 29, 0, 0, 0, 0, dublin), 23 * time.Hour},
		{time.Date(2026, 10, 25, 0, 0, 0, 0, dublin), 25 * time.Hour},
		{time.Date(2026, 6, 21, 0, 0, 0, 0, dublin), 24 * time.Hour},
	} {
		s := openIn(t, dublin)
		var frames []fleet.Frame
		for at := c.day.Add(-time.Hour); at.Before(c.day.Add(c.want + time.Hour)); at = at.Add(time.Minute) {
			frames = append(frames, reading("mill/north/alder", at.UTC(), 480, 100))
		}
		appendFrames(t, s, frames...)
		days := rolled(t, s, "mill/north/alder", "watts", store.Day)
		if len(days) != 3 || days[1].End.Sub(days[1].Start) != c.want || days[1].Total != 100*c.want.Seconds() || days[1].Coverage() != 1 {
			t.Errorf("%v: %+v, want one of %v in the middle", c.day, days, c.want)
		}
		if hours := rolled(t, s, "mill/north/alder", "watts", store.Hour); len(hours) != 2+int(c.want.Hours()) {
			t.Errorf("%v: %d hours", c.day, len(hours))
		}
	}
}

func openIn(t *testing.T, zone *time.Location) *store.Store {
	t.Helper()
	s, err := store.Open(t.TempDir()+"/ringwarden.db", store.Options{
		Zone: func(fleet.ControllerID) *time.Location { return zone },
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}
