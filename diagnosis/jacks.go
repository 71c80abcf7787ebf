package diagnosis

import (
	"fmt"
	"slices"
	"time"

	"ringwarden/diagnosis/statistics"
	"ringwarden/fleet"
)

// A cable, the out jack that feeds it and the in jack that it ends in look the same from whatever the receiver counts. Only a
// swap of cables tells them apart: the trouble of a cable moves along, that of a jack stays.

// priorItself is how likely a bad place is the cable or its plugs, before any swap (common practice, no source).
const priorItself = 0.6

// A swapped pair of cables.
type swapped struct {
	here, there fleet.LinkID // the places, the suspected one first
	at          time.Time
}

const (
	// keptSwaps bounds how many swaps are remembered; the oldest goes first.
	keptSwaps = 8
	// sameSwap is how near two swaps of the same pair are one that was written down twice.
	sameSwap = 10 * time.Minute
	// inHands is for how long before a swap is written down the cables may have been out: what is missing then is nobody's fault.
	inHands = 5 * time.Minute
)

// Swapped files that the cables of two places were swapped, the suspected place first if it is known: from then on each is
// judged where it is. A swap of the same two again brings them back. File swaps before the frames of their time: counts that
// were put before belong to the time before. It returns false where the places are no two of the ring.
func (r *Ring) Swapped(here, there fleet.LinkID, at time.Time) bool {
	a, ok := r.place(here)
	b, too := r.place(there)
	if !ok || !too || here == there {
		return false
	}
	for _, s := range r.swaps {
		if s.at.Sub(at).Abs() < sameSwap && (s.here == here && s.there == there || s.here == there && s.there == here) {
			return true
		}
	}
	if len(r.swaps) == keptSwaps {
		r.swaps = slices.Delete(r.swaps, 0, 1)
	}
	r.swaps = append(r.swaps, swapped{here, there, at})
	slices.SortStableFunc(r.swaps, func(a, b swapped) int { return a.at.Compare(b.at) })
	for _, to := range []int{a.To, b.To} {
		w := &r.units[to].wire
		w.breaks = append(w.breaks, at.Add(-inHands), at)
		if len(w.breaks) > 2*keptSwaps {
			w.breaks = slices.Delete(w.breaks, 0, 2)
		}
	}
	return true
}

// A SwapTest is what a swap of two cables has shown.
type SwapTest struct {
	At          time.Time
	Here, There fleet.LinkID // the places, the suspected one first
	SwapResult
}

// tested returns what was counted before and after the newest swap, and whether anything is counted at all.
func (r *Ring) tested() (t *SwapTest, counted bool) {
	if len(r.swaps) == 0 {
		return nil, false
	}
	s := r.swaps[len(r.swaps)-1]
	var begin time.Time
	for _, o := range r.swaps[:len(r.swaps)-1] {
		if o.at.After(begin) && (o.touches(s.here) || o.touches(s.there)) {
			begin = o.at
		}
	}
	out, end := s.at.Add(-inHands), r.now.Add(time.Nanosecond)
	if a, b := r.Count(s.here, begin, out), r.Count(s.there, begin, out); a.Frames > 0 && b.Frames > 0 && a.share() < b.share() && differ(a, b) {
		s.here, s.there = s.there, s.here // the trouble was there
	}
	from := r.troubleSince(s.here, begin, out)
	t = &SwapTest{At: s.at, Here: s.here, There: s.there}
	t.SwapResult = Swap(r.Count(s.here, from, out), r.Count(s.here, s.at, end), r.Count(s.there, from, out), r.Count(s.there, s.at, end))
	return t, r.units[r.linkOf(s.here).To].wire.by != byNothing && r.units[r.linkOf(s.there).To].wire.by != byNothing
}

func (s *swapped) touches(id fleet.LinkID) bool { return s.here == id || s.there == id }

// troubleSince returns since when a place had the trouble that it had in a time. The good time before that is not what a swap
// is about.
func (r *Ring) troubleSince(id fleet.LinkID, from, to time.Time) time.Time {
	w := &r.units[r.linkOf(id).To].wire
	var x, n []float64
	var since []time.Time
	for i := range w.batches {
		if b := &w.batches[i]; !b.since.Before(from) && b.since.Before(to) {
			bad, all := b.spoilt()
			x, n, since = append(x, bad), append(n, all), append(since, b.since)
		}
	}
	if c := statistics.ShareShift(x, n); c.Gain > clearly {
		return since[c.After]
	}
	return from
}

// jacks says how likely a suspected place is the cable itself, and what else it may be.
func (r *Ring) jacks(s *Suspect, t *SwapTest) {
	told := "they look the same from here until the cable is swapped with another"
	if t != nil && (t.Here == s.Link || t.There == s.Link) {
		told = t.short()
		if t.Verdict == NotYet { // nothing is surer than the test that tells
			s.Itself = min(1-unsure, max(unsure, s.Itself))
		}
	}
	l := r.linkOf(s.Link)
	cable := "the cable or its plugs"
	if into, moved := r.whereNow(l.To); moved {
		now := r.cableName(r.into[into])
		s.Now = r.links[r.into[into]].ID
		cable += ", " + now + " since the swap"
		switch {
		case s.Itself > 1-unsure:
			s.Name += ", since the swap " + now
		case s.Itself < unsure:
			s.Name = "out or in jack at the place " + r.cableName(r.into[l.To])
		}
	}
	s.Evidence = append(s.Evidence, fmt.Sprintf("This may be %s (%s), or the out jack of %s or the in jack of %s (%s); %s.",
		cable, chance(s.Itself), r.units[l.From].name, r.units[l.To].name, chance(1-s.Itself), told))
}

// unsure is what is left to either side of a swap test that has not told with 95 %.
const unsure = 0.05

// chance returns a probability as the sentences write it. Nothing that is only reasoned is certain.
func chance(p float64) string {
	switch {
	case p > 0.99:
		return "over 99 %"
	case p < 0.01:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// short says in a clause what a swap has shown.
func (t *SwapTest) short() string {
	switch {
	case t.Verdict == Moved:
		return "the swap has told: it moved with the cable"
	case t.Verdict == Stayed:
		return "the swap has told: it stayed with the jacks"
	case t.Verdict == Gone:
		return "since the swap it is at neither place"
	case t.Verdict == Both:
		return "since the swap it is at both places"
	case t.Wait > 0:
		return "what the swap shows is not yet known for sure, wait about " + t.waitWords()
	}
	return "what the swap shows is not yet known for sure"
}

// linkOf returns the link of an id that is in the ring.
func (r *Ring) linkOf(id fleet.LinkID) fleet.Link {
	l, _ := r.place(id)
	return l
}
