package main

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"ringwarden/testdata"
)

// Each shipped scenario, over real Modbus TCP and down the whole road, raises the alarms that it expects and no other.
// RINGWARDEN_LONG=1 runs them all, side by side; otherwise one does.
func TestLongScenarios(t *testing.T) {
	names := []string{"ground-fault"}
	if os.Getenv("RINGWARDEN_LONG") != "" {
		names = shippedScenarios(t)
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			args := []string{"demo", "--scenario", name, "--listen", "127.0.0.1:0"}
			switch {
			case name == "sensor-stuck": // it takes hours to know that a sensor no longer moves
				args = append(args, "--for", "150s", "--speed", "240")
			case len(names) == 1:
				args = append(args, "--for", "20s", "--speed", "60")
			default:
				args = append(args, "--for", "150s", "--speed", "60")
			}
			var stdout, stderr bytes.Buffer
			if status := run(t.Context(), args, &stdout, &stderr); status != exitDone {
				t.Errorf("ringwarden %s: exit status %d\n%s%s", strings.Join(args, " "), status, &stdout, &stderr)
			}
			if !strings.Contains(stdout.String(), "As the scenario expects: ") {
				t.Errorf("no verdict:\n%s", &stdout)
			}
		})
	}
}

func shippedScenarios(t *testing.T) []string {
	t.Helper()
	files, err := testdata.Files.ReadDir(scenarioFolder)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	if len(names) < 15 {
		t.Fatalf("only %d scenarios are shipped: %v", len(names), names)
	}
	return names
}
