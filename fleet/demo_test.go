package fleet_test

import (
	"testing"
	"time"

	"ringwarden/fleet"
)

const demoFile = "../testdata/demo/fleet.yaml"

// The demo's fleet is what a newcomer sees first; the simulator, the detectors and the texts count on its roles.
func TestDemoFleet(t *testing.T) {
	f, err := fleet.Load(demoFile, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := (fleet.Periods{Fast: time.Second, Normal: 2 * time.Second, Slow: 20 * time.Second}); f.Periods != want {
		t.Errorf("periods are %v, want %v", f.Periods, want)
	}
	ids := []fleet.ControllerID{
		"fernhollow-mill/wheelhouse/barn-roof", "fernhollow-mill/wheelhouse/south-field",
		"fernhollow-mill/wheelhouse/leat-turbine", "fernhollow-mill/wheelhouse/ridge-turbine",
		"fernhollow-mill/wheelhouse/millers-loft",
	}
	sources := map[fleet.Source]int{}
	references, detectors, i := 0, 0, 0
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if i < len(ids) && c.ID != ids[i] {
			t.Errorf("controller %d is %s, want %s", i, c.ID, ids[i])
		}
		i++
		sources[c.Source]++
		if c.Source.Turns() != (c.Intended.OnSharedFault == fleet.Stay) {
			t.Errorf("%s is a %s and set to %s", c.ID, c.Source, c.Intended.OnSharedFault)
		}
		if c.Intended.TemperatureReference {
			references++
		}
		if c.Intended.FaultDetector {
			detectors++
		}
		return true
	})
	if i != 5 || sources[fleet.PV] != 3 || sources[fleet.Wind] != 1 || sources[fleet.Hydro] != 1 {
		t.Errorf("%d controllers with sources %v, want 3 pv, 1 wind, 1 hydro", i, sources)
	}
	if references != 1 || detectors != 1 {
		t.Errorf("%d temperature references and %d fault detectors, want 1 and 1", references, detectors)
	}
}
