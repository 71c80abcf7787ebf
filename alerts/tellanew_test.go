package alerts_test

import (
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// What an alarm says is of now when somebody lists it, hours after it was raised and after a restart; nobody is told again for
// that, and the words are told anew once a minute at most.
func TestAnAlarmThatGoesOnSaysHowItIsNow(t *testing.T) {
	f := &fleet.Fleet{
		Periods: fleet.Periods{Fast: 10 * time.Second, Normal: 10 * time.Second, Slow: time.Minute},
		Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{{ID: "mill/north", Name: "North", Controllers: []fleet.Controller{
			{ID: "mill/north/alder", Name: "Alder", Source: fleet.PV}, {ID: "mill/north/birch", Name: "Birch", Source: fleet.PV},
		}}}}},
	}
	e := alerts.New(f)
	at := epoch
	changes, words := 0, map[string]bool{}
	answer := func(id fleet.ControllerID) {
		e.Put(&fleet.Frame{Controller: id, At: at, Group: fleet.Fast, Outcome: fleet.Answered, Layout: fleet.NewLayout(nil)})
	}
	for range 30 {
		answer("mill/north/alder")
		answer("mill/north/birch")
		changes += len(e.Advance(at))
		at = at.Add(10 * time.Second)
	}
	heard := at.Add(-10 * time.Second)
	wantNow := func(lasts time.Duration) {
		t.Helper()
		for end := at.Add(lasts); at.Before(end); at = at.Add(10 * time.Second) {
			answer("mill/north/alder")
			changes += len(e.Advance(at))
			for _, a := range e.Alarms() {
				words[a.Text] = true
			}
		}
		quiet := at.Sub(heard)
		a := e.Alarms()
		if len(a) != 1 || a[0].Kind != "controller-silent" {
			t.Fatalf("alarms are %+v", a)
		}
		said := time.Duration(a[0].Figures[0].Value) * time.Second
		if said > quiet || said < quiet-70*time.Second || !strings.Contains(a[0].Text, "last answer "+fleet.Span(said)+" ago") {
			t.Errorf("after %v it says %q and %+v", quiet, a[0].Text, a[0].Figures)
		}
	}
	wantNow(10 * time.Minute)
	wantNow(110 * time.Minute)
	if changes != 1 || len(words) > 120 {
		t.Errorf("in two hours there were %d changes and %d different sentences; want the one that raised it, and one sentence a minute at most", changes, len(words))
	}
	standing, state := e.Alarms(), e.State()
	e = alerts.New(f)
	if err := e.Remember(state); err != nil {
		t.Fatal(err)
	}
	e.Restore(standing)
	wantNow(time.Hour)
	if changes != 1 {
		t.Errorf("after a restart there were %d changes", changes)
	}
}
