package alerts

import "ringwarden/fleet"

// event is what moves an alarm from state to state.
type event uint8

const (
	conditionHolds event = iota // and nothing explains it
	conditionGone               //
	explained                   // the condition holds and another alarm explains it
	acknowledge                 // a person has seen it
	subjectRemoved              // no longer judged: gone from the fleet file, or its kind is disabled
)

// next is the transition table of ANSI/ISA-18.2 and IEC 62682, as far as this program uses it; a pair that is not in
// it leaves the state as it is. An explanation that ends while the condition holds gives an unacknowledged alarm:
// whoever acknowledged it before did not know that it would stand alone. Shelved and OutOfService are entered by
// people, which is not built yet.
var next = map[fleet.AlarmState]map[event]fleet.AlarmState{
	fleet.AlarmNormal: {
		conditionHolds: fleet.Unacknowledged,
		explained:      fleet.Suppressed,
	},
	fleet.Unacknowledged: {
		conditionGone:  fleet.ReturnedUnacknowledged,
		explained:      fleet.Suppressed,
		acknowledge:    fleet.Acknowledged,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.Acknowledged: {
		conditionGone:  fleet.AlarmNormal,
		explained:      fleet.Suppressed,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.ReturnedUnacknowledged: {
		conditionHolds: fleet.Unacknowledged,
		explained:      fleet.Suppressed,
		acknowledge:    fleet.AlarmNormal,
		subjectRemoved: fleet.AlarmNormal,
	},
	fleet.Suppressed: {
		conditionHolds: fleet.Unacknowledged,
		conditionGone:  fleet.AlarmNormal,
		subjectRemoved: fleet.AlarmNormal,
	},
}

// after returns the state that an event leads to.
func after(s fleet.AlarmState, ev event) fleet.AlarmState {
	if to, ok := next[s][ev]; ok {
		return to
	}
	return s
}
