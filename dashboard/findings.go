package dashboard

import (
	"context"
	"errors"
	"slices"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// Findings are what a study says of a ring at an instant. They never change.
type findings struct {
	at        time.Time // up to here readings were weighed; zero: there are none
	from      time.Time // and from here on
	diagnosis diagnosis.Diagnosis
	why       map[fleet.LinkID]diagnosis.Why
	calls     []diagnosis.Call // the newest first
	hop       diagnosis.HopTime
	heat      map[fleet.LinkID]*heatMap
	err       error
}

// callsShown is how many calls are shown: the newest ones.
const callsShown = 8

// find says what the readings so far mean.
func (st *study) find() *findings {
	f := findIn(st.ring, st.weighed, st.first)
	f.heat = st.heat.maps
	f.calls = f.calls[:min(len(f.calls), callsShown)]
	return f
}

// findIn says what a ring's readings mean, of which the first is of the instant from.
func findIn(ring *fleet.Ring, weighed *diagnosis.Ring, from time.Time) *findings {
	f := &findings{
		at: weighed.Newest(), from: from, diagnosis: weighed.Diagnose(), why: map[fleet.LinkID]diagnosis.Why{},
		calls: weighed.Calls(), hop: weighed.HopTime(),
	}
	for _, l := range ring.Links() {
		f.why[l.ID] = weighed.Why(l.ID)
	}
	slices.Reverse(f.calls)
	return f
}

// fail returns what was found before, with what went wrong since; nil if that is no more than that the program ends.
func (st *study) fail(err error) *findings {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	f := findings{}
	if st.found != nil {
		f = *st.found
	}
	f.err = err
	return &f
}

// swapBefore is how much of the time before a swap of cables is weighed with the time after it, and swapBack how old a swap may
// be: what is not known by then is not waited for.
const (
	swapBefore = 24 * time.Hour
	swapBack   = 30 * 24 * time.Hour
)

// swapNotes returns the notes that say that cables of a ring were swapped, oldest first.
func (s *Studies) swapNotes(ctx context.Context, ring *fleet.Ring, now time.Time) ([]fleet.Note, error) {
	var all []fleet.Note
	for n, err := range s.journal.Notes(ctx, now.Add(-swapBack), now.Add(time.Nanosecond)) {
		if err != nil {
			return nil, err
		}
		if _, _, is := diagnosis.SwapIn(n, ring); is {
			all = append(all, n)
		}
	}
	return all, nil
}

// A stretch is a time whose readings are weighed.
type stretch struct{ from, to time.Time }

// stretches returns what is weighed of a past: all of it, and what is older where the newest swap needs it.
func stretches(now time.Time, past time.Duration, swaps []fleet.Note) []stretch {
	recent := stretch{now.Add(-past), now}
	if len(swaps) == 0 {
		return []stretch{recent}
	}
	at, before := swaps[len(swaps)-1].At, min(past, swapBefore)
	older := stretch{at.Add(-before), at.Add(before)}
	if older.to.Before(recent.from) {
		return []stretch{older, recent}
	}
	recent.from = earlier(recent.from, older.from)
	return []stretch{recent}
}
