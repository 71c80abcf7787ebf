package alerts

import "ringwarden/fleet"

// event is what moves an alarm from state to state.
type event uint8

const (
	nothing        event = iota
	conditionHolds       // and nothing explains it
	conditionGone        //
	explained            // the condition holds and another alarm explains it
	acknowledge          // a person has seen it
	shelve               // a person does not want to see it until an end
	takeOut              // a person works on the subject until an end
	subjectRemoved       // no longer judged: gone from the fleet file, or its kind is disabled
	eventCount
)

// next is the transition table of ANSI/ISA-18.2 and IEC 62682; a pair that is not in it leaves the state as it is. An
// explanation that ends while the condition holds gives an unacknowledged alarm: whoever acknowledged it before did not
// know that it would stand alone. Shelved and OutOfService hear of the condition only when their end has come, and go
// to the state that the condition then has (OPC 10000-9, 5.8.17.1); a watch sees to that, see [asked.judge]. An alarm
// that is normal need not be taken out one by one: it enters OutOfService when its condition would have raised it, and
// leaves with it.
var next = map[fleet.AlarmState]map[event]fleet.AlarmState{
	fleet.AlarmNormal: {
		conditionHolds: fleet.Unacknowledged,
		explained:      fleet.Suppressed,
		shelve:         fleet.Shelved,
		takeOut:        fleet.OutOfService,
	},
	fleet.Unacknowledged: {
		conditionGone:  fleet.ReturnedUnacknowledged,
		explained:      fleet.Suppressed,
		acknowledge:    fleet.Acknowledged,
		shelve:         fleet.Shelved,
		takeOut:        fleet.OutOfService,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.Acknowledged: {
		conditionGone:  fleet.AlarmNormal,
		explained:      fleet.Suppressed,
		shelve:         fleet.Shelved,
		takeOut:        fleet.OutOfService,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.ReturnedUnacknowledged: {
		conditionHolds: fleet.Unacknowledged,
		explained:      fleet.Suppressed,
		acknowledge:    fleet.AlarmNormal,
		shelve:         fleet.Shelved,
		takeOut:        fleet.OutOfService,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.Suppressed: {
		conditionHolds: fleet.Unacknowledged,
		conditionGone:  fleet.AlarmNormal,
		shelve:         fleet.Shelved,
		takeOut:        fleet.OutOfService,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.Shelved: {
		conditionHolds: fleet.Unacknowledged,
		conditionGone:  fleet.AlarmNormal,
		explained:      fleet.Suppressed,
		takeOut:        fleet.OutOfService,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.OutOfService: {
		conditionHolds: fleet.Unacknowledged,
		conditionGone:  fleet.AlarmNormal,
		explained:      fleet.Suppressed,
		shelve:         fleet.Shelved,
		subjectRemoved: fleet.AlarmNormal,
	},
}

// table is next for quick look-up.
var table = func() (t [stateCount][eventCount]fleet.AlarmState) {
	for s := range t {
		for ev := range t[s] {
			t[s][ev] = fleet.AlarmState(s)
			if to, ok := next[fleet.AlarmState(s)][event(ev)]; ok {
				t[s][ev] = to
			}
		}
	}
	return t
}()

const stateCount = int(fleet.OutOfService) + 1

// after returns the state that an event leads to.
func after(s fleet.AlarmState, ev event) fleet.AlarmState {
	if int(s) >= stateCount || ev >= eventCount {
		return s // from a newer file, or from rubbish
	}
	return table[s][ev]
}
