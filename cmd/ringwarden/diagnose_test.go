package main

import (
	"bytes"
	"encoding/json"
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

// A program that asks for JSON gets what a person reads: the suspects in their order with what makes them likely, the calls,
// what the swap has shown, and from when to when readings were weighed, ring by ring.
func TestDiagnoseInJSON(t *testing.T) {
	f, s, start := stored(t, 2*time.Hour)
	const cable = "fernhollow-mill/wheelhouse/ridge-turbine>millers-loft"
	if err := s.PutNote(t.Context(), fleet.Note{At: start.Add(time.Hour), Subject: "fernhollow-mill/wheelhouse", Text: "swapped cables 4 and 1"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	a := &app{out: &out}
	if err := a.diagnose(t.Context(), f, diagnoseOptions{from: start, to: start.Add(2 * time.Hour), json: true}); err != nil {
		t.Fatal(err)
	}
	var j struct {
		At    time.Time
		Rings []struct {
			Ring    string
			Links   []struct{ ID string }
			Weighed struct {
				From, To time.Time
				Sound    float64
				Enough   bool
			}
			Suspects []struct {
				What, Link  string
				Probability float64
				Evidence    []string
			}
			Calls []struct {
				Starter string
				Way     []string
			}
			Hop  struct{ Calls int }
			Swap struct{ Verdict string }
		}
	}
	if err := json.Unmarshal(out.Bytes(), &j); err != nil {
		t.Fatalf("%v\n%s", err, &out)
	}
	if len(j.Rings) != 1 || j.Rings[0].Ring != "fernhollow-mill/wheelhouse" || !j.At.Equal(start.Add(2*time.Hour)) {
		t.Fatalf("rings and time are not those that were asked for:\n%s", &out)
	}
	r := &j.Rings[0]
	if w := r.Weighed; !w.From.Equal(start) || !w.To.After(start.Add(119*time.Minute)) || !w.Enough || w.Sound > 0.01 {
		t.Errorf("weighed is %+v", w)
	}
	if len(r.Suspects) == 0 || r.Suspects[0].What != "bad cable" || r.Suspects[0].Link != cable || r.Suspects[0].Probability < 0.99 || len(r.Suspects[0].Evidence) == 0 {
		t.Errorf("suspects are %+v", r.Suspects)
	}
	if len(r.Links) != 5 || len(r.Calls) == 0 || r.Calls[0].Starter == "" || len(r.Calls[0].Way) == 0 || r.Hop.Calls != 1 || r.Swap.Verdict != "stayed with the jacks" {
		t.Errorf("the rest is %+v", r)
	}
}
