package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"ringwarden/fleet"
	"ringwarden/simulator"
)

// An expectation is an alarm of a kind on a subject.
type expectation = fleet.AlarmKey

// A tally remembers which alarms were raised. It is a [road.Watcher].
type tally struct {
	mu     sync.Mutex // guards raised
	raised map[expectation]bool
}

// Put takes no interest in frames.
func (*tally) Put(*fleet.Frame) {}

// PutChanges remembers the alarms that a person was shown.
func (t *tally) PutChanges(changes []fleet.Change) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range changes {
		if changes[i].Alarm.State.Active() {
			t.raised[changes[i].Alarm.AlarmKey] = true
		}
	}
}

// compare holds the alarms that were raised against those that the scenario expects.
func (a *app) compare(s *simulator.Scenario, t *tally) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	expected := map[expectation]bool{}
	for _, e := range s.Expect {
		expected[expectation{Kind: e.Alarm, Subject: e.On}] = true
	}
	missing, other := difference(expected, t.raised), difference(t.raised, expected)
	if len(missing) == 0 && len(other) == 0 {
		fmt.Fprintf(a.out, "\nAs the scenario expects: %s.\n", listed(difference(t.raised, nil)))
		return nil
	}
	var faults []error
	if len(missing) > 0 {
		faults = append(faults, fmt.Errorf("the scenario expects what was not raised: %s", listed(missing)))
	}
	if len(other) > 0 {
		faults = append(faults, fmt.Errorf("raised, but not expected by the scenario: %s", listed(other)))
	}
	return errors.Join(faults...)
}

// difference returns what is in one set and not in another, in order.
func difference(in, notIn map[expectation]bool) []string {
	var found []string
	for e := range in {
		if !notIn[e] {
			found = append(found, fmt.Sprintf("%s on %s", e.Kind, e.Subject))
		}
	}
	slices.Sort(found)
	return found
}

func listed(alarms []string) string {
	if len(alarms) == 0 {
		return "no alarm"
	}
	return strings.Join(alarms, ", ")
}
