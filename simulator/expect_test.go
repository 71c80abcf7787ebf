package simulator_test

import (
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

// demo returns the demo's fleet with its maps, polled every ten seconds.
func demo(t *testing.T) (*fleet.Fleet, map[string]*registermap.Map) {
	t.Helper()
	f, err := fleet.Load(filepath.Join("..", "testdata", "demo", "fleet.yaml"), alerts.Kinds())
	if err != nil {
		t.Fatal(err)
	}
	f.Periods = fleet.Periods{Fast: 10 * time.Second, Normal: 10 * time.Second, Slow: time.Minute}
	maps := map[string]*registermap.Map{}
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if maps[c.Map] == nil {
			if maps[c.Map], err = registermap.Load(c.Map); err != nil {
				t.Fatal(err)
			}
		}
		return true
	})
	return f, maps
}

// Every scenario is played this long, and on if not all that it expects has come by then.
const (
	atLeast = 150 * time.Minute // the call to float comes after an hour or so
	atMost  = 8 * time.Hour
)

// raised plays a scenario to the alarm engine and lists what a person gets to see, once each.
func raised(t *testing.T, s *simulator.Scenario, seed uint64) []simulator.Expectation {
	t.Helper()
	f, maps := demo(t)
	p, err := simulator.New(f, maps, simulator.Options{Scenario: s, Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	engine := alerts.New(f)
	seen := map[simulator.Expectation]bool{}
	var frame fleet.Frame
	for since := time.Duration(0); since < atMost && (since < atLeast || len(seen) < len(s.Expect)); since = p.Now().Sub(p.Start()) {
		p.Advance(p.Now().Add(f.Periods.Fast))
		f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
			for _, g := range fleet.Groups {
				if p.Now().Sub(p.Start())%f.Periods.Of(g) == 0 && p.Frame(c.ID, g, &frame) {
					engine.Put(&frame)
				}
			}
			return true
		})
		for _, c := range engine.Advance(p.Now()) {
			if e := (simulator.Expectation{Alarm: c.Alarm.Kind, On: c.Alarm.Subject}); c.Alarm.State == fleet.Unacknowledged && !seen[e] {
				seen[e] = true
				t.Logf("after %s: %s on %s: %s", p.Now().Sub(p.Start()), e.Alarm, e.On, c.Alarm.Text)
			}
		}
	}
	list := []simulator.Expectation{}
	for e := range seen {
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b simulator.Expectation) int {
		return strings.Compare(string(a.Alarm)+" "+string(a.On), string(b.Alarm)+" "+string(b.On))
	})
	return list
}

// What a shipped scenario says that it raises is what the detectors raise, and no other.
func TestScenariosRaiseWhatTheyExpect(t *testing.T) {
	files, err := testdata.Files.ReadDir("scenarios")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		data, err := testdata.Files.ReadFile("scenarios/" + file.Name())
		if err != nil {
			t.Fatal(err)
		}
		t.Run(strings.TrimSuffix(file.Name(), ".yaml"), func(t *testing.T) {
			t.Parallel()
			s, err := simulator.ParseScenario(file.Name(), data)
			if err != nil {
				t.Fatal(err)
			}
			if got := raised(t, s, 1); !slices.Equal(got, s.Expect) {
				t.Errorf("raised %v, want %v", got, s.Expect)
			}
		})
	}
}
