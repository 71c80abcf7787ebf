package fleet

import "time"

// A KindInfo describes one kind of alarm to the people who write rules. The alerts room owns the table; whoever
// reads a fleet file hands it in, so that rules are checked against it.
type KindInfo struct {
	Kind       Kind
	About      string // one line
	Subject    string // what it is raised on: "site", "ring", "controller", "link", or "store" for [OwnStore]
	Priority   Priority
	OnDelay    time.Duration // the condition must hold this long; 0: at once
	OffDelay   time.Duration // the condition must be gone this long; 0: at once
	Thresholds []Threshold
}

// A Threshold is a number that a detector compares with, in base units.
type Threshold struct {
	Name     string
	Unit     Unit
	Default  float64
	Min, Max float64 // what a rule may set it to, inclusive
	Why      string  // where the default comes from
	Below    string  // the threshold of the same kind that this one must stay below; empty: none
}

// Rules say how the fleet file departs from the defaults, in the order of the file: a later rule wins where both
// apply.
type Rules []Rule

// A Rule changes what is set in it and leaves the rest.
type Rule struct {
	Kind Kind
	// At limits the rule to a site, ring, controller or link and all that is inside; empty: everywhere.
	At         Subject
	Disabled   *bool
	Priority   *Priority
	OnDelay    *time.Duration
	OffDelay   *time.Duration
	Thresholds map[string]float64 // base units
}
