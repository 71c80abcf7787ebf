package diagnosis

import (
	"fmt"
	"time"

	"ringwarden/diagnosis/statistics"
	"ringwarden/fleet"
)

// A cable, the out jack that feeds it and the in jack that it ends in look the same from whatever the receiver counts. Only a
// swap of cables tells them apart: the trouble of a cable moves along, that of a jack stays.

const (
	// priorItself is how likely a bad place is the cable or its plugs, before any swap (common practice, no source).
	priorItself = 0.6
	// swapOdds is how much likelier what a swap shows at 95 % is if it is true than if not.
	swapOdds = 19
)

// A swapped pair of cables.
type swapped struct {
	here, there fleet.LinkID // the places, the suspected one first
	at          time.Time
}

// Swapped files that the cables of two places were swapped, the suspected place first: what was counted before and after then
// says whether a suspect of that place is the cable or a jack. A later swap takes the place of an earlier one.
func (r *Ring) Swapped(here, there fleet.LinkID, at time.Time) { r.swap = &swapped{here, there, at} }

// SwapShown returns what the newest swap that was filed has shown so far; false: there was none.
func (r *Ring) SwapShown() (SwapResult, bool) {
	s := r.swap
	if s == nil {
		return SwapResult{}, false
	}
	from, end := r.troubleSince(s.here, s.at), r.now.Add(time.Nanosecond)
	return Swap(r.Count(s.here, from, s.at), r.Count(s.here, s.at, end), r.Count(s.there, from, s.at), r.Count(s.there, s.at, end)), true
}

// troubleSince returns since when a place had the trouble that it had before an instant; zero: all the time. The good time
// before that is not what a swap is about.
func (r *Ring) troubleSince(id fleet.LinkID, before time.Time) time.Time {
	w := &r.units[r.linkOf(id).To].wire
	var x, n []float64
	for i := range w.batches {
		if b := &w.batches[i]; b.since.Before(before) {
			bad, all := b.spoilt()
			x, n = append(x, bad), append(n, all)
		}
	}
	if c := statistics.ShareShift(x, n); c.Gain > clearly {
		return w.batches[c.After].since
	}
	return time.Time{}
}

// jacks says how likely a suspected place is the cable itself, and what else it may be.
func (r *Ring) jacks(s *Suspect) {
	s.Itself = priorItself
	odds := priorItself / (1 - priorItself)
	w, ok := r.SwapShown()
	if ok && r.swap.here == s.Link {
		switch w.Verdict {
		case Moved:
			odds *= swapOdds
		case Stayed:
			odds /= swapOdds
		}
		s.Itself = odds / (1 + odds)
	}
	l := r.linkOf(s.Link)
	from, to := r.units[l.From].name, r.units[l.To].name
	s.Evidence = append(s.Evidence, fmt.Sprintf("This may be the cable or its plugs (%.0f %%), or the out jack of %s or the in jack of %s (%.0f %%); %s.",
		100*s.Itself, from, to, 100*(1-s.Itself), tells(ok && r.swap.here == s.Link && w.Verdict != NotYet)))
}

func tells(swapped bool) string {
	if swapped {
		return "the swap has told so"
	}
	return "they look the same from here until the cable is swapped with another"
}

// linkOf returns the link of an id that is in the ring.
func (r *Ring) linkOf(id fleet.LinkID) fleet.Link {
	for _, l := range r.links {
		if l.ID == id {
			return l
		}
	}
	return fleet.Link{}
}
