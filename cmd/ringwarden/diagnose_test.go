package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
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
	s, err := store.Open(f.Store, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.PutNote(t.Context(), fleet.Note{At: start.Add(time.Hour), Subject: fleet.Subject(ring), Text: "swapped cables 4 and 1"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	out.Reset()
	if err := a.diagnose(t.Context(), f, o); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"bad out or in jack at the place from Ridge turbine to Miller", "the swap has told: it stayed with the jacks", "The swap of "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("after a swap that changed nothing it does not say %q:\n%s", want, &out)
		}
	}
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
