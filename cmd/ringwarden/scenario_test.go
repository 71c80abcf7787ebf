package main

import (
	"bytes"
	"context"
	"os"
	"strings"
	"sync"
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
	outcomes := make([]outcome, len(names))
	var wg sync.WaitGroup
	for i, name := range names {
		wg.Go(func() { outcomes[i] = runScenario(t.Context(), name, len(names) > 1) })
	}
	wg.Wait()
	for i, name := range names {
		t.Run(name, func(t *testing.T) {
			if o := outcomes[i]; o.status != exitDone || !strings.Contains(o.stdout, "As the scenario expects: ") {
				t.Errorf("ringwarden %s: exit status %d\n%s%s", strings.Join(o.args, " "), o.status, o.stdout, o.stderr)
			}
		})
	}
}

type outcome struct {
	args           []string
	status         int
	stdout, stderr string
}

func runScenario(ctx context.Context, name string, all bool) outcome {
	args := []string{"demo", "--scenario", name, "--listen", "127.0.0.1:0"}
	switch {
	case name == "sensor-stuck": // it takes hours to know that a sensor no longer moves
		args = append(args, "--for", "150s", "--speed", "240")
	case all:
		args = append(args, "--for", "150s")
	default:
		args = append(args, "--for", "20s")
	}
	var stdout, stderr bytes.Buffer
	status := run(ctx, args, &stdout, &stderr)
	return outcome{args, status, stdout.String(), stderr.String()}
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
