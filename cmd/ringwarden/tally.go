package main

import (
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"

	"ringwarden/fleet"
	"ringwarden/simulator"
)

// A tally remembers which alarms were raised. It is a [road.Watcher].
type tally struct {
	mu     sync.Mutex // guards raised
	raised map[fleet.AlarmKey]bool
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
	missing, other := s.Compare(maps.Keys(t.raised))
	if len(missing) == 0 && len(other) == 0 {
		fmt.Fprintf(a.out, "\nAs the scenario expects: %s.\n", listed(s.Expect))
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

func listed(alarms []simulator.Expectation) string {
	if len(alarms) == 0 {
		return "no alarm"
	}
	names := make([]string, len(alarms))
	for i, e := range alarms {
		names[i] = e.String()
	}
	return strings.Join(names, ", ")
}
