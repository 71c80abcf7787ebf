package alerts

import (
	"time"

	"ringwarden/fleet"
)

// faultTrack is what a controller says of a ground fault.
type faultTrack struct {
	at      time.Time // newest frame that showed the flag, set or not
	period  time.Duration
	tripped bool      // the flag is set
	clear   time.Time // last frame that showed it not set before it was; zero: not seen
	first   time.Time // first frame that showed it set
}

func (t *faultTrack) see(r *reading) {
	if r.ground == 0 {
		return // the map names no such flag
	}
	set := r.value.Raw&r.ground != 0
	switch {
	case set && !t.tripped:
		t.first = r.at
	case !set:
		t.clear = r.at
	}
	t.tripped, t.at, t.period = set, r.at, r.period
}

// A trip is what a ring knows of its ground fault. One unit detects it and the others are told, so whatever flags they
// show, it is one trip: the detector's.
type trip struct {
	of *unit // the unit whose trip it is; nil: none that is known
	// lasts: of's newest reading still shows it, and is news.
	lasts bool
}

// prepareTrip finds the unit whose trip it is: a detector that shows one, or else the first unit that does. Of
// several, the one that showed it first; of those, the first in the ring.
func (r *ring) prepareTrip(now time.Time) {
	var of *unit
	for _, u := range r.units {
		if !u.fault.tripped {
			continue
		}
		switch {
		case of == nil,
			u.isDetector() && !of.isDetector(),
			u.isDetector() == of.isDetector() && u.fault.first.Before(of.fault.first):
			of = u
		}
	}
	r.trip = trip{of: of, lasts: of != nil && fresh(of.fault.at, of.fault.period, now)}
}

// stopped reports whether a controller in the stage gives its source no load.
func stopped(s fleet.Stage) bool { return s == fleet.Off || s == fleet.Fault }

// adviceFault is what to do first about any ground fault.
const adviceFault = "Keep people away from the array and its frames. Have the fault found by somebody who is licensed for it before anything is cleared or restarted"
