package fleet

import "time"

// A Frame is what one controller answered in one poll group at one instant: the unit of everything downstream.
// A poll that got no answer is a frame too, with an [Outcome] that says so and no values.
type Frame struct {
	Controller ControllerID
	Group      Group
	At         time.Time     // the instant the poll was due, on the period's grid
	Restamped  bool          // At was corrected afterwards: the poll was made under a clock that stood wrong
	Late       time.Duration // from At to the first request
	Took       time.Duration // from the first request to the end of the last answer
	Outcome    Outcome
	Layout     *Layout // what Values are of; never nil if there are values
	Values     []Value // one for each of Layout.Points
}

// Value returns the value of a quantity if the frame has a good one.
func (f *Frame) Value(q Quantity) (Value, bool) {
	if f.Layout == nil {
		return Value{}, false
	}
	i, ok := f.Layout.Index(q)
	if !ok || i >= len(f.Values) || f.Values[i].Quality != Good {
		return Value{}, false
	}
	return f.Values[i], true
}

// Number returns the number of a quantity, in base units, if the frame has a good one.
func (f *Frame) Number(q Quantity) (float64, bool) {
	v, ok := f.Value(q)
	return v.Number, ok
}

// Stage returns the controller's stage if the frame has a good one.
func (f *Frame) Stage() (Stage, bool) {
	v, ok := f.Value(QuantityStage)
	return Stage(v.Number), ok
}

// Arrived returns the instant at which the frame was complete.
func (f *Frame) Arrived() time.Time { return f.At.Add(f.Late + f.Took) }

// Clone returns a copy that shares only the layout.
func (f *Frame) Clone() *Frame {
	c := *f
	c.Values = append([]Value(nil), f.Values...)
	return &c
}

// A Value is one decoded reading.
type Value struct {
	// Number is the reading in base units. For a stage it is the [Stage], for flags and named values the raw
	// integer, for text 0.
	Number float64
	// Raw is the register's own integer after bits are cut out: sign-extended for signed types, the IEEE 754 bits
	// for floats, the number that the digits spell for BCD.
	Raw     uint64
	Text    string // for text points only
	Quality Quality
}

// Quality says whether a value may be believed.
type Quality uint8

// The qualities of a value.
const (
	Missing     Quality = iota // not read: its request got no answer
	Good                       // read, decoded, plausible
	Absent                     // the device says that it has no value
	Implausible                // outside the map's plausible range
	Undefined                  // not decodable: a code that the map does not name, digits that are no BCD, not a number
	Unreadable                 // the device refuses this address
)

var qualityNames = [...]string{"missing", "good", "absent", "implausible", "undefined", "unreadable"}

// String returns the word that people see.
func (q Quality) String() string { return nameOf(qualityNames[:], int(q)) }

// Outcome says what became of a poll.
type Outcome uint8

// The outcomes of a poll.
const (
	Skipped     Outcome = iota // not tried: the poll before it was still under way
	Answered                   // at least one request was answered with data
	Silent                     // connected, but no answer in time
	Unreachable                // no connection: refused, no route, black hole, or waiting to try again
	Refused                    // the device answered every request with an exception
	Garbled                    // what came back was no answer to what was asked
)

// Outcomes lists every outcome, for tables and metrics.
var Outcomes = []Outcome{Skipped, Answered, Silent, Unreachable, Refused, Garbled}

var outcomeNames = [...]string{"skipped", "answered", "silent", "unreachable", "refused", "garbled"}

// String returns the word that people see.
func (o Outcome) String() string { return nameOf(outcomeNames[:], int(o)) }

// Group is a poll group: points that are read equally often.
type Group uint8

// The poll groups.
const (
	Normal Group = iota
	Fast
	Slow
)

// Groups lists every poll group.
var Groups = []Group{Fast, Normal, Slow}

var groupNames = [...]string{"normal", "fast", "slow"}

// String returns the word that the register map uses.
func (g Group) String() string { return nameOf(groupNames[:], int(g)) }

// ParseGroup returns the group of a word.
func ParseGroup(s string) (Group, bool) { i, ok := indexOf(groupNames[:], s); return Group(i), ok }

// Stage is what a controller is doing with its source.
type Stage uint8

// The stages. Only Float and Equalize travel round a ring.
const (
	StageUnknown Stage = iota
	Off
	Idle // awake, no usable input
	Bulk
	Absorption
	Float
	Equalize
	Fault
)

// Stages lists every stage that a map may name.
var Stages = []Stage{Off, Idle, Bulk, Absorption, Float, Equalize, Fault}

var stageNames = [...]string{"unknown", "off", "idle", "bulk", "absorption", "float", "equalize", "fault"}

// String returns the word that people see.
func (s Stage) String() string { return nameOf(stageNames[:], int(s)) }

// ParseStage returns the stage of a word; "unknown" is none.
func ParseStage(s string) (Stage, bool) {
	i, ok := indexOf(stageNames[:], s)
	return Stage(i), ok && Stage(i) != StageUnknown
}

// Coordinated reports whether the stage travels round a ring.
func (s Stage) Coordinated() bool { return s == Float || s == Equalize }

// nameOf returns the name at i, or "?" where a value came from a newer file or from rubbish.
func nameOf(names []string, i int) string {
	if i < 0 || i >= len(names) {
		return "?"
	}
	return names[i]
}

func indexOf(names []string, name string) (int, bool) {
	for i, n := range names {
		if n == name {
			return i, true
		}
	}
	return 0, false
}
