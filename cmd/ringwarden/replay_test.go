package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/simulator"
	"ringwarden/store"
)

// stored lets a simulated plant with a cable that is cut after half an hour run for a time, watches it, and returns the
// fleet with a database that holds its frames and its alarms.
func stored(t testing.TB, lasts time.Duration) (*fleet.Fleet, *store.Store, time.Time) {
	t.Helper()
	p, err := loadPlant("../../testdata/demo/fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p.fleet.Periods = fleet.Periods{Fast: 5 * time.Second, Normal: 10 * time.Second, Slow: time.Minute}
	scenario, err := simulator.ParseScenario("cut.yaml", []byte(`format: 1
about: A cable is cut.
start: {time: "10:30", charge: 85 %, weather: clear}
events:
  - {at: 30m, fault: cut-link, on: "fernhollow-mill/wheelhouse/ridge-turbine>millers-loft"}
expect: []
`))
	if err != nil {
		t.Fatal(err)
	}
	plant, err := simulator.New(p.fleet, p.maps, simulator.Options{Scenario: scenario, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	p.fleet.Store = t.TempDir() + "/plant.db"
	s, err := store.Open(p.fleet.Store, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	engine := alerts.New(p.fleet)
	start := plant.Now()
	var frames []fleet.Frame
	for at := start; at.Sub(start) < lasts; at = at.Add(p.fleet.Periods.Fast) {
		plant.Advance(at)
		p.fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
			for _, g := range fleet.Groups {
				var f fleet.Frame
				if at.Sub(start)%p.fleet.Periods.Of(g) == 0 && plant.Frame(c.ID, g, &f) {
					engine.Put(&f)
					frames = append(frames, *f.Clone())
				}
			}
			return true
		})
		if err := s.PutChanges(t.Context(), engine.Advance(at)); err != nil {
			t.Fatal(err)
		}
		if len(frames) > 4000 || at.Add(p.fleet.Periods.Fast).Sub(start) >= lasts {
			if err := s.Append(t.Context(), frames); err != nil {
				t.Fatal(err)
			}
			frames = frames[:0]
		}
	}
	return p.fleet, s, start
}

func replayed(t testing.TB, f *fleet.Fleet, s *store.Store, from, to time.Time) (*replay, string) {
	t.Helper()
	var out bytes.Buffer
	r := newReplay(f, replayOptions{from: from, to: to}, &out)
	if err := r.run(s.Frames(t.Context(), store.Query{To: to}), s.Changes(t.Context(), from, to)); err != nil {
		t.Fatal(err)
	}
	r.report()
	return r, out.String()
}

// Judged anew by the same rules, stored readings raise what was raised; by others, the difference is said.
func TestReplay(t *testing.T) {
	f, s, start := stored(t, 2*time.Hour)
	end := start.Add(3 * time.Hour)
	r, out := replayed(t, f, s, start, end)
	if r.both < 3 || r.only != [2]int{} {
		t.Errorf("by the same rules %d on both sides, %v on one:\n%s", r.both, r.only, out)
	}
	shown := fleet.Change{At: start.Add(100 * time.Minute), From: fleet.Shelved, Who: "Kim", Alarm: fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: "fernhollow-mill/wheelhouse/ridge-turbine>millers-loft"},
		State:    fleet.Unacknowledged, Priority: fleet.High, Raised: start.Add(100 * time.Minute), Text: "shown again",
	}}
	if err := s.PutChanges(t.Context(), []fleet.Change{shown}); err != nil {
		t.Fatal(err)
	}
	if r, out := replayed(t, f, s, start, end); r.only != [2]int{} {
		t.Errorf("an alarm that was shelved and shown again is told as a difference of the rules:\n%s", out)
	}
	yes, long := true, 12*time.Hour
	f.Rules = fleet.Rules{{Kind: "link-down", Disabled: &yes}, {Kind: "temperature-default", OnDelay: &long}}
	quiet, out := replayed(t, f, s, start, end)
	// Without temperature-default nothing explains why the temperatures differ, so that is said instead.
	if quiet.only != [2]int{1, 2} || quiet.both != r.both-2 || !strings.Contains(out, "temperature-split") {
		t.Errorf("without two kinds %d on both sides, %v on one:\n%s", quiet.both, quiet.only, out)
	}
	for _, want := range []string{"only then", "link-down on fernhollow-mill/wheelhouse/ridge-turbine>millers-loft", "readings in"} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q:\n%s", want, out)
		}
	}
	f.Rules = nil
	late, out := replayed(t, f, s, start.Add(45*time.Minute), end)
	if late.stood == 0 || late.only != [2]int{} {
		t.Errorf("from later on %d stood already, %v on one side:\n%s", late.stood, late.only, out)
	}
}

// Replay against a bare loop that only decodes the same frames.
func BenchmarkReplay(b *testing.B) {
	f, s, start := stored(b, 24*time.Hour)
	end := start.Add(25 * time.Hour)
	var bare, whole time.Duration
	var readings uint64
	for b.Loop() {
		began := time.Now()
		values := uint64(0)
		for frame, err := range s.Frames(b.Context(), store.Query{To: end}) {
			if err != nil {
				b.Fatal(err)
			}
			values += uint64(len(frame.Values))
		}
		bare += time.Since(began)
		began = time.Now()
		r, _ := replayed(b, f, s, start, end)
		whole += time.Since(began)
		if readings += r.readings; r.readings != values {
			b.Fatalf("%d readings, want the %d that are stored", r.readings, values)
		}
	}
	fmt.Printf("bar replay-readings = %.3g readings/s (want >= 3e6)\n", float64(readings)/whole.Seconds())
	fmt.Printf("bar replay-over-decoding = %.2f (want <= 3)\n", whole.Seconds()/bare.Seconds())
}
