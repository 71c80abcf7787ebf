package alerts

import "time"

// Verdict is what a detector says of one subject at one instant.
type Verdict uint8

// The verdicts. Unknown means that what was seen does not tell: a value is missing, or more time must pass.
const (
	Unknown Verdict = iota
	No
	Yes
)

// A Hold is how long a condition must be there, or be gone, before that counts (ISA-18.2: on-delay, off-delay).
type Hold struct {
	On, Off time.Duration
}

// A HoldState is where a condition stands. The zero value has not seen it. It is comparable and can be stored.
type HoldState struct {
	Holds  bool      // the condition counts
	Since  time.Time // first instant of the condition that counts, or that is about to
	GoneAt time.Time // while Holds: first instant at which it was gone; zero: it is there
}

// Step returns the state after a verdict at an instant. An unknown changes nothing: a missing value never clears an
// alarm and never raises one, and does not start a delay anew.
func (h Hold) Step(s HoldState, at time.Time, v Verdict) HoldState {
	switch {
	case v == Yes && s.Holds:
		s.GoneAt = time.Time{}
	case v == Yes:
		if s.Since.IsZero() {
			s.Since = at
		}
		s.Holds = at.Sub(s.Since) >= h.On
	case v == No && s.Holds:
		if s.GoneAt.IsZero() {
			s.GoneAt = at
		}
		if at.Sub(s.GoneAt) >= h.Off {
			return HoldState{}
		}
	case v == No:
		return HoldState{}
	}
	return s
}
