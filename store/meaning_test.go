package store_test

import (
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// coded returns frames of one controller, ten seconds apart, with the raw integers of a layout's points.
func coded(l *fleet.Layout, at time.Time, rows ...[]uint64) []fleet.Frame {
	frames := make([]fleet.Frame, len(rows))
	for i, row := range rows {
		frames[i] = fleet.Frame{Controller: "mill/north/alder", At: at.Add(time.Duration(i) * 10 * time.Second), Outcome: fleet.Answered, Layout: l}
		for j, raw := range row {
			frames[i].Values = append(frames[i].Values, fleet.Value{Raw: raw, Number: l.Points[j].Number(raw), Quality: fleet.Good})
		}
	}
	return frames
}

func repeat(n int, raw uint64) [][]uint64 {
	rows := make([][]uint64, n)
	for i := range rows {
		rows[i] = []uint64{raw}
	}
	return rows
}

// one returns the layout of a map with one point.
func one(p fleet.Point) *fleet.Layout {
	p.Name = "reading"
	if p.Mul == 0 {
		p.Mul, p.Div, p.Bits = 1, 1, 16
	}
	return fleet.NewLayout([]fleet.Point{p})
}

// A point that means something else from half past noon on: both halves decode as they were written, before and after the
// fold, and no bucket has numbers of both.
func TestAPointThatChangesWithinADay(t *testing.T) {
	power := one(fleet.Point{Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16})
	for name, c := range map[string]struct {
		then       *fleet.Layout
		before     int     // good samples of the hour that are of the first meaning
		hour, day  float64 // the mean of the hour with the change, and of the day
		total      float64 // of the day
		min, count float64
	}{
		// 1800 s of 100 W and 1800 s of 10 W, but for the 10 s on which nothing is joined: 1790 s x 100 W + 1790 s x 10 W.
		"scale": {then: one(fleet.Point{Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 10, Bits: 16}), hour: 55, day: 55, total: 196900, min: 10, count: 360},
		"type":  {then: one(fleet.Point{Quantity: fleet.OutputPower, Unit: fleet.Watt, Form: fleet.FormSigned, Mul: 1, Div: 10, Bits: 32}), hour: 55, day: 55, total: 196900, min: 10, count: 360},
		// What it was before is left out of the buckets that have both.
		"quantity": {then: one(fleet.Point{Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16}), hour: 10, day: 10, min: 10, count: 180},
		"counter":  {then: one(fleet.Point{Quantity: fleet.EnergyLifetime, Unit: fleet.Joule, Mul: 1, Div: 10, Bits: 16, Counter: true}), hour: 10, day: 10, min: 10, count: 180},
	} {
		t.Run(name, func(t *testing.T) {
			s := openIn(t, time.UTC)
			frames := append(coded(power, noon, repeat(180, 100)...), coded(c.then, noon.Add(30*time.Minute), repeat(180, 100)...)...)
			appendFrames(t, s, frames...)
			for _, folded := range []bool{false, true} {
				if folded {
					if err := s.Fold(t.Context(), noon.AddDate(0, 0, 3)); err != nil {
						t.Fatal(err)
					}
				}
				n := 0
				for v, err := range s.Samples(t.Context(), "mill/north/alder", "reading", time.Time{}, time.Time{}) {
					if err != nil {
						t.Fatal(err)
					}
					if want := frames[n]; v.Number != want.Values[0].Number || v.Point.Quantity != want.Layout.Points[0].Quantity || v.Point.Div != want.Layout.Points[0].Div {
						t.Fatalf("folded %v: sample %d is %v of %+v, want %v", folded, n, v.Number, v.Point, want.Values[0].Number)
					}
					n++
				}
				hour, day := rolled(t, s, "mill/north/alder", "reading", store.Hour), rolled(t, s, "mill/north/alder", "reading", store.Day)
				if len(hour) != 1 || len(day) != 1 || hour[0].Mean != c.hour || day[0].Mean != c.day || day[0].Total != c.total || day[0].Min != c.min || float64(day[0].Count) != c.count {
					t.Errorf("folded %v: the hour is %+v, the day %+v", folded, hour, day)
				}
				if five := rolled(t, s, "mill/north/alder", "reading", store.FiveMinutes); len(five) != 12 || five[0].Mean != 100 || five[11].Mean != 10 {
					t.Errorf("folded %v: the first and last of %d five minutes: %+v", folded, len(five), five)
				}
			}
		})
	}
}

// A counter of 16 bits that falls from near its end to near its beginning wrapped, unless the device's own uptime says that
// it started anew meanwhile. Uptimes that wrap, and gaps in which the device ran on, are no restarts. (Trade facts: common
// practice, no source.)
func TestCountersTellWrapsFromRestarts(t *testing.T) {
	both := fleet.NewLayout([]fleet.Point{
		{Name: "energy", Quantity: fleet.EnergyLifetime, Unit: fleet.Joule, Mul: 100, Div: 1, Bits: 16, Counter: true},
		{Name: "running", Quantity: fleet.Uptime, Unit: fleet.Second, Mul: 1, Div: 1, Bits: 16},
	})
	for name, c := range map[string]struct {
		rows  [][]uint64 // energy and uptime
		total float64    // J
	}{
		"wraps":                  {[][]uint64{{65500, 500}, {65530, 510}, {10, 520}}, 4600},            // 30 + 16 counts of 100 J
		"starts anew":            {[][]uint64{{65500, 500}, {65530, 510}, {10, 3}}, 4000},              // 30 + 10
		"restarts and keeps it":  {[][]uint64{{65500, 500}, {65530, 510}, {65532, 3}}, 3200},           // 30 + 2
		"uptime wraps":           {[][]uint64{{65500, 65520}, {65530, 65530}, {10, 4}}, 4600},          // 30 + 16
		"fell without a restart": {[][]uint64{{400, 500}, {500, 510}, {20, 520}}, 12000},               // cleared at midnight: 100 + 20
		"restarted long before":  {[][]uint64{{100, 900}, {65000, 2}, {65530, 12}, {10, 22}}, 6544600}, // 64900 + 530 + 16
	} {
		t.Run(name, func(t *testing.T) {
			s := openIn(t, time.UTC)
			appendFrames(t, s, coded(both, noon, c.rows...)...)
			if got := rolled(t, s, "mill/north/alder", "energy", store.Day); len(got) != 1 || got[0].Total != c.total {
				t.Errorf("unfolded: %+v, want %v J", got, c.total)
			}
			if err := s.Fold(t.Context(), noon.AddDate(0, 0, 3)); err != nil {
				t.Fatal(err)
			}
			if got := rolled(t, s, "mill/north/alder", "energy", store.Day); len(got) != 1 || got[0].Total != c.total {
				t.Errorf("folded: %+v, want %v J", got, c.total)
			}
		})
	}
}

// A device that was off for an hour and came back: its uptime is longer than before, and yet it started anew.
func TestARestartThatNoFallShows(t *testing.T) {
	both := fleet.NewLayout([]fleet.Point{
		{Name: "energy", Quantity: fleet.EnergyLifetime, Unit: fleet.Joule, Mul: 1, Div: 1, Bits: 16, Counter: true},
		{Name: "running", Quantity: fleet.Uptime, Unit: fleet.Second, Mul: 1, Div: 1, Bits: 32},
	})
	for name, c := range map[string]struct {
		uptime uint64
		total  float64
	}{"started anew": {900, 5}, "ran on": {3700, 41}} {
		t.Run(name, func(t *testing.T) {
			s := openIn(t, time.UTC)
			appendFrames(t, s, coded(both, noon, []uint64{65500, 100})...)
			appendFrames(t, s, coded(both, noon.Add(time.Hour), []uint64{5, c.uptime})...)
			if got := rolled(t, s, "mill/north/alder", "energy", store.Day); len(got) != 1 || got[0].Total != c.total {
				t.Errorf("%+v, want %v", got, c.total)
			}
		})
	}
}

// Where a site moved to another time zone, the five minutes of the day that loses readings are made once, not at every turn
// of the retention; and once more when readings of it come late.
func TestRetentionAfterAChangeOfZone(t *testing.T) {
	zone := time.UTC
	s, err := store.Open(t.TempDir()+"/ringwarden.db", store.Options{Zone: func(fleet.ControllerID) *time.Location { return zone }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	var frames []fleet.Frame
	for i := range 6 * 24 * 6 {
		frames = append(frames, reading("mill/north/alder", noon.Add(time.Duration(i)*10*time.Minute), 480, uint64(i)))
	}
	appendFrames(t, s, frames...)
	if err := s.Fold(t.Context(), noon.Add(130*time.Hour)); err != nil {
		t.Fatal(err)
	}
	zone = time.FixedZone("east", 5*3600)
	commits := func(before time.Time) uint64 {
		t.Helper()
		was, _ := s.Stat()
		if _, err := s.DropBefore(t.Context(), store.KindRaw, before); err != nil {
			t.Fatal(err)
		}
		is, err := s.Stat()
		if err != nil {
			t.Fatal(err)
		}
		return is.Commits - was.Commits
	}
	if first := commits(noon.Add(50 * time.Hour)); first < 3 {
		t.Errorf("%d commits of the first turn, want some that make rollups", first)
	}
	samples := func() (n int) {
		for _, o := range rolled(t, s, "mill/north/alder", "watts", store.FiveMinutes) {
			n += o.Count
		}
		return n
	}
	want := samples()
	for range 3 {
		if n := commits(noon.Add(50 * time.Hour)); n != 1 {
			t.Errorf("%d commits of another turn, want the one that drops", n)
		}
	}
	if got := samples(); want != len(frames) || got != want {
		t.Errorf("the five minutes have %d samples, and %d after some turns; want %d", want, got, len(frames))
	}
	late := reading("mill/north/alder", noon.Add(60*time.Hour+time.Minute), 480, 5)
	appendFrames(t, s, late)
	if err := s.Fold(t.Context(), noon.Add(140*time.Hour)); err != nil {
		t.Fatal(err)
	}
	commits(noon.Add(61 * time.Hour))
	if got := samples(); got != want+1 {
		t.Errorf("the five minutes have %d samples after a late reading, want %d", got, want+1)
	}
}

// A site that moves to another time zone: its hours are each there once, before and after, and days tile: the one of the
// change is shorter or longer.
func TestASiteChangesItsZone(t *testing.T) {
	zone := time.UTC
	path := t.TempDir() + "/ringwarden.db"
	s, err := store.Open(path, store.Options{Zone: func(fleet.ControllerID) *time.Location { return zone }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	power := one(fleet.Point{Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16})
	end := noon
	for _, z := range []*time.Location{time.UTC, time.FixedZone("east", 2*3600), time.FixedZone("west", -5*3600), time.UTC} {
		zone = z
		for range 3 * 24 * 6 { // three days, every ten minutes
			appendFrames(t, s, coded(power, end, []uint64{100})...)
			end = end.Add(10 * time.Minute)
		}
		for _, fold := range []bool{false, true} {
			if fold {
				if err := s.Fold(t.Context(), end); err != nil {
					t.Fatal(err)
				}
			}
			for _, r := range []store.Resolution{store.FiveMinutes, store.Hour, store.Day} {
				total, count, last := 0.0, 0, time.Time{}
				for _, o := range rolled(t, s, "mill/north/alder", "reading", r) {
					if o.Start.Before(last) {
						t.Fatalf("zone %v, folded %v: %v from %v begins before %v", z, fold, r, o.Start, last)
					}
					total, count, last = total+o.Total, count+o.Count, o.End
				}
				if polls := int(end.Sub(noon) / (10 * time.Minute)); count != polls || total != float64(polls-1)*600*100 {
					t.Errorf("zone %v, folded %v: %v has %d samples and %v J, want %d and %v", z, fold, r, count, total, polls, float64(polls-1)*60000)
				}
			}
		}
	}
	// Late frames make the days of the first zone anew: they stay cut as they were.
	appendFrames(t, s, fleet.Frame{Controller: "mill/north/alder", At: noon.Add(20*time.Hour + time.Minute), Outcome: fleet.Silent})
	if err := s.Fold(t.Context(), end); err != nil {
		t.Fatal(err)
	}
	if days := rolled(t, s, "mill/north/alder", "reading", store.Day); !days[1].Start.Equal(noon.Add(12*time.Hour)) || days[1].Count != 144 {
		t.Errorf("the second day, made anew: %+v", days[1])
	}
}
