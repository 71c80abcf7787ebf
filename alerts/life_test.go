package alerts

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"ringwarden/fleet"
)

// allowed is the transition table of ANSI/ISA-18.2 and IEC 62682 (as OPC 10000-9 and others quote it), written down
// apart from the code: from state to state. Removal of a subject leads to normal from anywhere and is no step of the standard's.
var allowed = map[[2]fleet.AlarmState]string{
	{fleet.AlarmNormal, fleet.Unacknowledged}:            "condition true after its on-delay",
	{fleet.Unacknowledged, fleet.Acknowledged}:           "acknowledge",
	{fleet.Unacknowledged, fleet.ReturnedUnacknowledged}: "condition clears",
	{fleet.Acknowledged, fleet.AlarmNormal}:              "condition clears",
	{fleet.ReturnedUnacknowledged, fleet.AlarmNormal}:    "acknowledge",
	{fleet.ReturnedUnacknowledged, fleet.Unacknowledged}: "condition true again",
	{fleet.AlarmNormal, fleet.Suppressed}:                "suppressed by design",
	{fleet.Unacknowledged, fleet.Suppressed}:             "suppressed by design",
	{fleet.Acknowledged, fleet.Suppressed}:               "suppressed by design",
	{fleet.ReturnedUnacknowledged, fleet.Suppressed}:     "suppressed by design",
	{fleet.Suppressed, fleet.Unacknowledged}:             "suppression ends, condition true",
	{fleet.Suppressed, fleet.AlarmNormal}:                "suppression ends, condition clear",
	{fleet.AlarmNormal, fleet.Shelved}:                   "shelve: from any state",
	{fleet.Unacknowledged, fleet.Shelved}:                "shelve",
	{fleet.Acknowledged, fleet.Shelved}:                  "shelve",
	{fleet.ReturnedUnacknowledged, fleet.Shelved}:        "shelve",
	{fleet.Suppressed, fleet.Shelved}:                    "shelve",
	{fleet.OutOfService, fleet.Shelved}:                  "returned to service while it is shelved",
	{fleet.Shelved, fleet.Unacknowledged}:                "timer ends or unshelve, condition true",
	{fleet.Shelved, fleet.AlarmNormal}:                   "timer ends or unshelve, condition clear",
	{fleet.Shelved, fleet.Suppressed}:                    "timer ends or unshelve, condition explained",
	{fleet.AlarmNormal, fleet.OutOfService}:              "out of service: from any state",
	{fleet.Unacknowledged, fleet.OutOfService}:           "out of service",
	{fleet.Acknowledged, fleet.OutOfService}:             "out of service",
	{fleet.ReturnedUnacknowledged, fleet.OutOfService}:   "out of service",
	{fleet.Suppressed, fleet.OutOfService}:               "out of service",
	{fleet.Shelved, fleet.OutOfService}:                  "out of service",
	{fleet.OutOfService, fleet.Unacknowledged}:           "returned to service, condition true",
	{fleet.OutOfService, fleet.AlarmNormal}:              "returned to service, or condition clear",
	{fleet.OutOfService, fleet.Suppressed}:               "returned to service, condition explained",
}

// Whatever happens in whatever order, an alarm only takes the standard's steps, and each event ends where the standard
// says: an active condition is never normal, a return never loses what nobody has seen.
func TestLifeKeepsTheStandard(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		state := fleet.AlarmNormal
		seen := true // a person has seen the last raise
		for range rapid.IntRange(1, 60).Draw(t, "events") {
			ev := event(rapid.IntRange(0, int(subjectRemoved)-1).Draw(t, "event"))
			to := after(state, ev)
			if _, ok := allowed[[2]fleet.AlarmState{state, to}]; to != state && !ok {
				t.Fatalf("event %d leads from %s to %s, which the standard does not know", ev, state, to)
			}
			switch ev {
			case conditionHolds:
				seen = seen && state == fleet.Acknowledged
				if !to.Active() {
					t.Fatalf("the condition holds and the alarm is %s", to)
				}
			case explained:
				if to != fleet.Suppressed {
					t.Fatalf("the alarm is explained and %s", to)
				}
			case conditionGone:
				if to.Active() || to == fleet.Suppressed {
					t.Fatalf("the condition is gone and the alarm is %s", to)
				}
				if !seen && state == fleet.Unacknowledged && to == fleet.AlarmNormal {
					t.Fatalf("an alarm that nobody has seen went to normal")
				}
			case shelve:
				if to != fleet.Shelved {
					t.Fatalf("shelved and %s", to)
				}
				seen = true // a person decided about it
			case takeOut:
				if to != fleet.OutOfService {
					t.Fatalf("taken out of service and %s", to)
				}
				seen = true
			case acknowledge:
				seen = true
				if (state == fleet.Shelved || state == fleet.OutOfService || state == fleet.Suppressed) && to != state {
					t.Fatalf("acknowledged while %s, and went to %s", state, to)
				}
				if to == fleet.Unacknowledged || to == fleet.ReturnedUnacknowledged {
					t.Fatalf("acknowledged and still %s", to)
				}
			}
			state = to
		}
	})
}

// From every state a removed subject goes to normal: nothing stands for ever that nobody can judge.
func TestRemovedSubjectsEnd(t *testing.T) {
	for _, s := range fleet.AlarmStates {
		if to := after(s, subjectRemoved); to != fleet.AlarmNormal {
			t.Errorf("removed in state %s: %s, want normal", s, to)
		}
	}
}

// A Hold is what keeps a flicker off a person's telephone, and an alarm alive while nothing is heard.
func TestHold(t *testing.T) {
	t0 := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	type seen struct {
		second int
		v      Verdict
		holds  bool
	}
	tests := []struct {
		name string
		hold Hold
		seen []seen
	}{
		{"at once", Hold{}, []seen{{0, Yes, true}, {1, No, false}}},
		{"on-delay", Hold{On: 10 * time.Second}, []seen{{0, Yes, false}, {9, Yes, false}, {10, Yes, true}}},
		{"on-delay starts anew", Hold{On: 10 * time.Second}, []seen{{0, Yes, false}, {9, No, false}, {10, Yes, false}, {19, Yes, false}, {20, Yes, true}}},
		{"unknown raises nothing", Hold{On: 10 * time.Second}, []seen{{0, Yes, false}, {20, Unknown, false}, {21, Yes, true}}},
		{"off-delay", Hold{Off: 10 * time.Second}, []seen{{0, Yes, true}, {5, No, true}, {14, No, true}, {15, No, false}}},
		{"off-delay starts anew", Hold{Off: 10 * time.Second}, []seen{{0, Yes, true}, {5, No, true}, {6, Yes, true}, {15, No, true}, {24, No, true}, {25, No, false}}},
		{"unknown clears nothing", Hold{Off: 10 * time.Second}, []seen{{0, Yes, true}, {5, No, true}, {500, Unknown, true}, {501, No, false}}},
		{"nothing was ever known", Hold{}, []seen{{0, Unknown, false}, {100, Unknown, false}}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var s HoldState
			for _, step := range test.seen {
				s = test.hold.Step(s, t0.Add(time.Duration(step.second)*time.Second), step.v)
				if s.Holds != step.holds {
					t.Fatalf("at %d s: holds %v, want %v", step.second, s.Holds, step.holds)
				}
			}
		})
	}
}
