package fleet_test

import (
	"testing"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// The page's example and each alarm's own defaults must be what the daemon itself takes, with the kinds that it has.
func TestExampleFitsTheRealKinds(t *testing.T) {
	if _, err := fleet.Parse("fleet.yaml", example(t), alerts.Kinds()); err != nil {
		t.Errorf("the example of FORMAT.md: %v", err)
	}
	for _, k := range alerts.Kinds() {
		rule := "{format: 1, rules: [{kind: " + string(k.Kind) + ", priority: " + k.Priority.String() +
			", on_delay: " + userfile.Span(k.OnDelay) + ", off_delay: " + userfile.Span(k.OffDelay)
		if len(k.Thresholds) > 0 {
			rule += ", thresholds: {"
			for _, th := range k.Thresholds {
				rule += th.Name + ": " + fleet.Example(th) + ", "
			}
			rule += "}"
		}
		rule += "}], sites: [{name: M, zone: UTC, rings: [{name: R, controllers: [{name: A, host: a, map: m, source: pv}]}]}]}"
		f, err := fleet.Parse("fleet.yaml", []byte(rule), alerts.Kinds())
		if err != nil {
			t.Errorf("%s: its defaults cannot be written down: %v", k.Kind, err)
			continue
		}
		for _, th := range k.Thresholds {
			if got := f.Rules[0].Thresholds[th.Name]; got != th.Default {
				t.Errorf("%s: %s is written as %s and read as %v, want %v", k.Kind, th.Name, fleet.Example(th), got, th.Default)
			}
		}
	}
}
