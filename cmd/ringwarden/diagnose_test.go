package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// From the stored readings of a plant whose cable was cut after half an hour, the cable is named, with how, since when,
// and what to swap; the other ring of the plant is left in peace.
func TestDiagnose(t *testing.T) {
	f, s, start := stored(t, 2*time.Hour)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	const cable = "fernhollow-mill/wheelhouse/ridge-turbine>millers-loft"
	ring := string(fleet.LinkID(cable).Ring())
	var out bytes.Buffer
	a := &app{out: &out}
	o := diagnoseOptions{ring: ring, from: start, to: start.Add(2 * time.Hour), calls: true}
	if err := a.diagnose(t.Context(), f, o); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"1. over 99 %  bad cable from Ridge turbine to Miller", ", dead (" + cable + ")", "or the out jack of Ridge turbine or the in jack of ", "Since about ", "nothing has come from ", "Swap the cable from ", "started by "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, &out)
		}
	}
	t.Log(out.String())
	out.Reset()
	o.to = start.Add(25 * time.Minute)
	if err := a.diagnose(t.Context(), f, o); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(out.String(), "1. over 99 %") || strings.Contains(out.String(), ", dead (") {
		t.Errorf("before anything was cut:\n%s", &out)
	}
	t.Log(out.String())
}
