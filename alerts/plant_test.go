package alerts_test

import (
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/simulator"
	"ringwarden/testdata"
)

// watchPlant lets a simulated plant run for a time and returns what the engine said. Each poll group is asked on its grid,
// and time is told at each instant that something was asked.
func watchPlant(p *simulator.Plant, f *fleet.Fleet, lasts time.Duration) []fleet.Change {
	e := alerts.New(f)
	var changes []fleet.Change
	var frame fleet.Frame
	var ids []fleet.ControllerID
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		ids = append(ids, c.ID)
		return true
	})
	p.Advance(p.Now().Add(time.Second)) // before its first step a plant has no voltages
	start := p.Now()
	for at := time.Duration(0); at <= lasts; at += f.Periods.Fast {
		p.Advance(start.Add(at))
		for _, g := range fleet.Groups {
			if at%f.Periods.Of(g) != 0 {
				continue
			}
			for _, id := range ids {
				if p.Frame(id, g, &frame) {
					e.Put(&frame)
				}
			}
		}
		changes = append(changes, e.Advance(start.Add(at))...)
	}
	return changes
}

// loadMaps loads the register maps that a fleet names.
func loadMaps(t testing.TB, f *fleet.Fleet) map[string]*registermap.Map {
	t.Helper()
	maps := map[string]*registermap.Map{}
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if maps[c.Map] == nil {
			m, err := registermap.Load(c.Map)
			if err != nil {
				t.Fatal(err)
			}
			maps[c.Map] = m
		}
		return true
	})
	return maps
}

// raised gives the alarms that were raised.
func raised(changes []fleet.Change) iter.Seq[fleet.AlarmKey] {
	return func(yield func(fleet.AlarmKey) bool) {
		for i := range changes {
			if a := &changes[i].Alarm; a.State == fleet.Unacknowledged && !yield(a.AlarmKey) {
				return
			}
		}
	}
}

// logChanges shows what was said, for whoever has to find out why.
func logChanges(t testing.TB, start time.Time, changes []fleet.Change) {
	for i := range changes {
		c := &changes[i]
		t.Logf("%s after the start: %s -> %s %s on %s: %s (%s)", short(c.At.Sub(start)), c.From, c.Alarm.State, c.Alarm.Kind, c.Alarm.Subject, c.Alarm.Text, c.Why)
	}
}

// long reports whether there is time for what takes minutes, as in `make long`; the race detector has none.
func long() bool { return os.Getenv("RINGWARDEN_LONG") == "1" }

// Each fault that is shipped as a scenario raises the alarms that its file expects, and no other: within two hours, in
// which all but the slowest show, and with RINGWARDEN_LONG=1 within a day.
func TestLongScenariosRaiseWhatTheyExpect(t *testing.T) {
	files, err := fs.Glob(testdata.Files, "scenarios/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(path.Base(file), ".yaml"), func(t *testing.T) {
			t.Parallel()
			data, err := fs.ReadFile(testdata.Files, file)
			if err != nil {
				t.Fatal(err)
			}
			s, err := simulator.ParseScenario(file, data)
			if err != nil {
				t.Fatal(err)
			}
			f, err := fleet.Load(filepath.Join("..", "testdata", "demo", "fleet.yaml"), alerts.Kinds())
			if err != nil {
				t.Fatal(err)
			}
			p, err := simulator.New(f, loadMaps(t, f), simulator.Options{Scenario: s})
			if err != nil {
				t.Fatal(err)
			}
			lasts := 2 * time.Hour
			if slices.ContainsFunc(s.Expect, func(e simulator.Expectation) bool { return e.Alarm == "temperature-stuck" }) {
				lasts = 7 * time.Hour
			}
			if long() {
				lasts = day
			}
			changes := watchPlant(p, f, lasts)
			logChanges(t, p.Start(), changes)
			if missing, other := s.Compare(raised(changes)); len(missing)+len(other) > 0 {
				t.Errorf("not raised: %v\nraised and not expected: %v", missing, other)
			}
		})
	}
}

const day = 24 * time.Hour

// Healthy rings keep their alarms to themselves, whatever their size, through nights, clouds, odd bad frames and counters
// that wrap. One false alarm a week would teach people not to look. RINGWARDEN_LONG=1 makes it a week; otherwise it is a part
// of it, since the race detector slows it down.
func TestLongHealthyRingsRaiseNothing(t *testing.T) {
	sizes := []struct {
		controllers int
		periods     fleet.Periods
		part        time.Duration
	}{
		{3, fleet.Periods{Fast: 2 * time.Second, Normal: 10 * time.Second, Slow: time.Minute}, day / 3},
		{8, fleet.Periods{Fast: 5 * time.Second, Normal: 10 * time.Second, Slow: time.Minute}, day / 6},
		{40, fleet.Periods{Fast: 10 * time.Second, Normal: 30 * time.Second, Slow: 5 * time.Minute}, day / 8},
		{200, fleet.Periods{Fast: 10 * time.Second, Normal: 30 * time.Second, Slow: 5 * time.Minute}, day / 48},
	}
	for _, size := range sizes {
		t.Run(fmt.Sprintf("controllers=%d", size.controllers), func(t *testing.T) {
			t.Parallel()
			lasts := size.part
			if long() {
				lasts = 7 * day
			}
			f := healthyFleet(size.controllers)
			f.Periods = size.periods
			p, err := simulator.New(f, loadMaps(t, f), simulator.Options{Seed: uint64(size.controllers), Charge: 0.8})
			if err != nil {
				t.Fatal(err)
			}
			changes := watchPlant(p, f, lasts)
			if len(changes) > 0 {
				logChanges(t, p.Start(), changes)
				t.Errorf("%d changes in %v, want none", len(changes), lasts)
			}
			t.Logf("%d controllers for %s: %d changes", size.controllers, short(lasts), len(changes))
		})
	}
}

// healthyFleet is one ring with all three maps and all sources in it.
func healthyFleet(n int) *fleet.Fleet {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		zone = time.UTC // the sun does not mind
	}
	maps := []string{"larkspur", "larkspur", "teasel", "sedge"}
	r := fleet.Ring{ID: "mill/north", Name: "North", Bank: fleet.Bank{
		Chemistry: fleet.FloodedLead, Nominal: 48, Cells: 24, Capacity: float64(n) * 200 * 3600, TemperatureSlope: -0.005,
	}}
	for i := range n {
		address := i + 1
		c := fleet.Controller{
			ID: fleet.ControllerID(fmt.Sprintf("mill/north/c%03d", i)), Name: fmt.Sprintf("Number %d", i), Source: fleet.PV, Rated: 3000,
			Map:      filepath.Join("..", "testdata", "maps", maps[i%len(maps)]+".yaml"),
			Intended: fleet.Settings{RingAddress: &address, TemperatureReference: i == 0, FaultDetector: i == 1, OnSharedFault: fleet.Trip},
		}
		switch i % 8 {
		case 2:
			c.Source = fleet.Wind
		case 6:
			c.Source = fleet.Hydro
		}
		if c.Source.Turns() {
			c.Rated, c.Intended.OnSharedFault = 1000, fleet.Stay
		}
		r.Controllers = append(r.Controllers, c)
	}
	return &fleet.Fleet{Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: zone, Rings: []fleet.Ring{r}}}}
}
