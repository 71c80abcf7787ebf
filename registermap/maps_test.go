package registermap_test

import (
	"io/fs"
	"strings"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/testdata"
)

// exampleMaps returns the maps that people copy.
func exampleMaps(t testing.TB) map[string]*registermap.Map {
	t.Helper()
	maps := map[string]*registermap.Map{}
	paths, err := fs.Glob(testdata.Files, "maps/*.yaml")
	if err != nil || len(paths) < 3 {
		t.Fatalf("found %d example maps (%v), want 3 at least", len(paths), err)
	}
	for _, path := range paths {
		data, err := fs.ReadFile(testdata.Files, path)
		if err != nil {
			t.Fatal(err)
		}
		m, err := registermap.Parse(path, data)
		if err != nil {
			t.Fatalf("an example map has faults:\n%v", err)
		}
		maps[path] = m
	}
	return maps
}

// An example map that misses what a detector needs would leave that detector untried in the demo and in tests.
func TestExampleMapsGiveWhatDetectorsNeed(t *testing.T) {
	always := []fleet.Quantity{
		fleet.QuantityStage, fleet.BatteryVoltage, fleet.BatteryCurrent, fleet.BatteryTemperature, fleet.OutputPower,
		fleet.EnergyToday, fleet.Faults, fleet.RingEnabled, fleet.RoleTemperatureReference, fleet.RoleFaultDetector,
		fleet.RoleTrips, fleet.SensorPresent, fleet.SetpointAbsorption, fleet.SetpointFloat, fleet.SetpointEqualize,
		fleet.SetpointTemperatureSlope, fleet.Uptime, fleet.RingAddress,
	}
	for path, m := range exampleMaps(t) {
		has := map[fleet.Quantity]bool{}
		ground := false
		for _, pt := range m.Points() {
			has[pt.Quantity] = true
			ground = ground || pt.Quantity == fleet.Faults && pt.Flag(fleet.GroundFault) != 0
		}
		for _, q := range always {
			if !has[q] {
				t.Errorf("%s has no %s", path, q)
			}
		}
		if !ground {
			t.Errorf("%s has no flag %s", path, fleet.GroundFault)
		}
		if counted := has[fleet.LinkGood] && has[fleet.LinkBad]; !counted && !has[fleet.LinkOK] {
			t.Errorf("%s has no link evidence", path)
		}
	}
}

// Somebody whose map lacks the word that alarms look for must hear of it before a ground fault goes unseen.
func TestGaps(t *testing.T) {
	for path, m := range exampleMaps(t) {
		if gaps := m.Gaps(); len(gaps) > 0 {
			t.Errorf("%s: %v", path, gaps)
		}
	}
	m := parse(t, `
  s: {at: holding 1, type: u16, quantity: stage, values: {0: off}}
  f: {at: holding 2, type: u16, quantity: faults, flags: {0: over-temperature}}`)
	gaps := strings.Join(m.Gaps(), "\n")
	if strings.Contains(gaps, "no stage") || !strings.Contains(gaps, "no flag ground-fault") || !strings.Contains(gaps, "no link.good") {
		t.Errorf("gaps are\n%s", gaps)
	}
}
