package fleet

import (
	"cmp"
	"strings"
	"time"
)

// A Kind names a sort of alarm, as in "link-down". Each detector of the alerts room has its own.
type Kind string

// A Subject is what an alarm is about: the id of a site, ring, controller or link.
type Subject string

// OwnStore is the subject of what is wrong with this program's own store. No id of a fleet file can be it.
const OwnStore Subject = "ringwarden:store"

// Everywhere is the subject of what people say of kinds of alarm, wherever they are raised. No id of a fleet file can be it.
const Everywhere Subject = "ringwarden:everywhere"

// Inside reports whether s is at, or is a part of it; everything is inside the empty subject, and inside [Everywhere]. A link is inside its
// ring, and not inside the controllers at its ends.
func (s Subject) Inside(at Subject) bool {
	return at == "" || at == Everywhere || s == at || strings.HasPrefix(string(s), string(at)+"/")
}

// An AlarmKey tells alarms apart: there is at most one of a kind on a subject at a time.
type AlarmKey struct {
	Kind    Kind
	Subject Subject
}

// Priority orders alarms by how soon somebody should act.
type Priority uint8

// The priorities of ANSI/ISA-18.2 practice: three levels.
const (
	Low Priority = iota
	Medium
	High
)

// Priorities lists every priority, lowest first.
var Priorities = []Priority{Low, Medium, High}

var priorityNames = [...]string{"low", "medium", "high"}

// String returns the word that people see.
func (p Priority) String() string { return nameOf(priorityNames[:], int(p)) }

// ParsePriority returns the priority of a word.
func ParsePriority(s string) (Priority, bool) {
	i, ok := indexOf(priorityNames[:], s)
	return Priority(i), ok
}

// AlarmState is a state of ANSI/ISA-18.2 / IEC 62682.
type AlarmState uint8

// The states of an alarm.
const (
	AlarmNormal AlarmState = iota
	Unacknowledged
	Acknowledged
	ReturnedUnacknowledged // returned to normal, not yet acknowledged
	Shelved
	Suppressed // by design: another alarm explains it
	OutOfService
)

// AlarmStates lists every state.
var AlarmStates = []AlarmState{
	AlarmNormal, Unacknowledged, Acknowledged, ReturnedUnacknowledged, Shelved, Suppressed, OutOfService,
}

var alarmStateNames = [...]string{
	"normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "suppressed", "out-of-service",
}

// String returns the word that people see.
func (s AlarmState) String() string { return nameOf(alarmStateNames[:], int(s)) }

// ParseAlarmState returns the state of a word.
func ParseAlarmState(s string) (AlarmState, bool) {
	i, ok := indexOf(alarmStateNames[:], s)
	return AlarmState(i), ok
}

// Active reports whether the condition holds and a person should see it.
func (s AlarmState) Active() bool { return s == Unacknowledged || s == Acknowledged }

// An Alarm is a finding that asks for a response, as it stands at one instant.
type Alarm struct {
	AlarmKey
	State    AlarmState
	Priority Priority
	Since    time.Time // when the condition was first seen, before any on-delay
	Raised   time.Time // when the alarm was raised
	Until    time.Time // shelved or out of service: when that ends; otherwise zero
	Text     string    // one sentence: what, where, with the numbers that led to it
	Advice   string    // what to do first
	Caution  string    // what can hurt, where something can; else empty
	Figures  []Figure  // the numbers behind Text
}

// ByUrgency orders alarms as a person should read them: active ones first, then the higher priority, then the one that
// has stood longest.
func ByUrgency(a, b Alarm) int {
	rank := func(a *Alarm) int {
		if a.State.Active() {
			return 0
		}
		return 1
	}
	return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(b.Priority, a.Priority), a.Since.Compare(b.Since))
}

// A Figure is one number behind an alarm, in base units.
type Figure struct {
	Name  string
	Value float64
	Unit  Unit
}

// A Change is one step of an alarm's life. Changes are kept for ever.
type Change struct {
	At    time.Time
	From  AlarmState
	Alarm Alarm  // as it is after the change
	Who   string // a person, or "" for the program itself
	Why   string // a person's reason, or what explains a suppression
}

// A Note is what a person wrote down about a place, as in "swapped cables 2 and 5". Notes are kept for ever.
type Note struct {
	At      time.Time // of what it tells, which may be earlier than when it was written
	Subject Subject   // a site, ring, controller or link; empty: everything
	Who     string    // as they call themselves; empty: unknown
	Text    string
}
