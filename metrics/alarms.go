package metrics

import (
	"maps"
	"sync"
	"time"

	"ringwarden/fleet"
)

// alarms are those that are not normal, at most one of a kind on a subject of the fleet, and how many steps there
// were.
type alarms struct {
	mu       sync.Mutex
	standing map[fleet.AlarmKey]fleet.Alarm
	changes  map[step]uint64
	raised   [3]uint64 // by priority
}

type step struct {
	kind  fleet.Kind
	state fleet.AlarmState
}

func newAlarms(kinds []fleet.KindInfo) *alarms {
	a := &alarms{standing: map[fleet.AlarmKey]fleet.Alarm{}, changes: map[step]uint64{}}
	for _, k := range kinds {
		for _, s := range fleet.AlarmStates {
			a.changes[step{k.Kind, s}] = 0
		}
	}
	return a
}

// PutChanges takes steps in the life of alarms, in the order in which they were made. Those on a subject that the
// fleet does not have are ignored.
func (m *Metrics) PutChanges(changes []fleet.Change) {
	subjects := m.fleet.Load().subjects
	m.alarms.mu.Lock()
	defer m.alarms.mu.Unlock()
	for i := range changes {
		a := &changes[i].Alarm
		if _, ok := subjects[a.Subject]; ok {
			m.alarms.set(a)
			m.alarms.changes[step{a.Kind, a.State}]++
			if a.State == fleet.Unacknowledged && int(a.Priority) < len(m.alarms.raised) {
				m.alarms.raised[a.Priority]++
			}
		}
	}
}

// Restore takes the alarms that stood when the program ended, before the first change. They count as no change.
func (m *Metrics) Restore(standing []fleet.Alarm) {
	subjects := m.fleet.Load().subjects
	m.alarms.mu.Lock()
	defer m.alarms.mu.Unlock()
	for i := range standing {
		if _, ok := subjects[standing[i].Subject]; ok {
			m.alarms.set(&standing[i])
		}
	}
}

func (a *alarms) set(alarm *fleet.Alarm) {
	if alarm.State == fleet.AlarmNormal {
		delete(a.standing, alarm.AlarmKey)
		return
	}
	// What people read is not exposed, so it need not be held.
	a.standing[alarm.AlarmKey] = fleet.Alarm{AlarmKey: alarm.AlarmKey, State: alarm.State, Priority: alarm.Priority, Raised: alarm.Raised}
}

// keep forgets the alarms of subjects that are gone.
func (a *alarms) keep(subjects map[fleet.Subject]place) {
	a.mu.Lock()
	defer a.mu.Unlock()
	maps.DeleteFunc(a.standing, func(k fleet.AlarmKey, _ fleet.Alarm) bool {
		_, ok := subjects[k.Subject]
		return !ok
	})
}

// staleAfter is when an alarm that stands is stale (ISA-18.2-2016, 16.4.7: more than 24 h).
const staleAfter = 24 * time.Hour

func (a *alarms) samples(subjects map[fleet.Subject]place, now time.Time) []sample {
	a.mu.Lock()
	defer a.mu.Unlock()
	out := make([]sample, 0, len(a.standing)*len(fleet.AlarmStates)+len(a.changes)+len(a.raised)+1)
	stale := 0
	for key, alarm := range a.standing {
		at, ok := subjects[key.Subject]
		if !ok {
			continue // the fleet changed since it was put
		}
		if s := alarm.State; (s.Active() || s == fleet.ReturnedUnacknowledged) && now.Sub(alarm.Raised) > staleAfter {
			stale++
		}
		for _, s := range fleet.AlarmStates {
			out = append(out, sample{alarmState, newLabels(alarmState, at.site, at.ring, at.controller, at.link,
				string(key.Kind), alarm.Priority.String(), s.String()), one(s == alarm.State)})
		}
	}
	out = append(out, sample{alarmStale, newLabels(alarmStale), float64(stale)})
	for p, n := range a.raised {
		out = append(out, sample{alarmRaised, newLabels(alarmRaised, fleet.Priority(p).String()), float64(n)})
	}
	for s, n := range a.changes {
		out = append(out, sample{alarmChanges, newLabels(alarmChanges, string(s.kind), s.state.String()), float64(n)})
	}
	return out
}
