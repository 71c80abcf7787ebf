package diagnosis

import (
	"math"
	"slices"
	"time"

	"ringwarden/fleet"
)

// After a swap, what is wrong with a cable shows at another place, and what is wrong with a jack where it was. So each place
// that a swap touched is two things that may be bad: what stays there, and the cable that was there at first.

// A spot is one of the things that a hypothesis may be about: a place, or a cable that swaps have carried about.
type spot struct {
	unit   int     // at the receiving end; of a cable, at the end where it was at first
	stays  []stay  // of a cable, oldest first; nil: it is a place
	share  float64 // of what was likely before of a bad cable there
	apart  float64 // of a cable: how much likelier the counts are, as a logarithm, if each cable has a share of its own, and not each place
	wire   *wire   // what was counted there
	counts *verdict
}

// A stay is where a cable is from an instant on, until the next stay: in the place that leads into a unit.
type stay struct {
	from time.Time
	into int
}

// at returns the unit into which the spot leads at an instant.
func (s *spot) at(t time.Time) int {
	into := s.unit
	for _, k := range s.stays {
		if !k.from.After(t) {
			into = k.into
		}
	}
	return into
}

// visits reports whether the spot is a cable that was once in a place.
func (s *spot) visits(place *spot) bool {
	return s.stays != nil && place.stays == nil && (s.unit == place.unit || slices.ContainsFunc(s.stays, func(k stay) bool { return k.into == place.unit }))
}

// spots returns all places by their units, and then the cables that were swapped.
func (r *Ring) spots(counts *scale) []*spot {
	var all, cables []*spot
	for i := range r.units {
		p := &spot{unit: i, share: 1, wire: &r.units[i].wire}
		all = append(all, p)
		if stays := r.staysOf(i); stays != nil {
			c := &spot{unit: i, stays: stays, share: priorItself}
			c.wire = r.undisturbed(c)
			p.share, p.wire = 1-priorItself, r.undisturbed(p)
			cables = append(cables, c)
		}
	}
	apart := 0.0
	for _, c := range cables {
		apart += counts.soundness(c.wire) - counts.soundness(all[c.unit].wire)
	}
	for _, c := range cables {
		c.apart = apart
	}
	all = append(all, cables...)
	for _, s := range all {
		s.counts = counts.judge(s.wire)
	}
	return all
}

// staysOf returns where the cable that led into a unit at first went; nil: it is where it was.
func (r *Ring) staysOf(unit int) []stay {
	var stays []stay
	into := unit
	for _, s := range r.swaps {
		a, b := r.linkOf(s.here).To, r.linkOf(s.there).To
		switch into {
		case a:
			into = b
		case b:
			into = a
		default:
			continue
		}
		stays = append(stays, stay{s.at, into})
	}
	return stays
}

// undisturbed returns what was counted on a spot, wherever it was, but not while somebody had the cables in hands.
func (r *Ring) undisturbed(s *spot) *wire {
	first := r.units[s.unit].wire
	w := &wire{by: first.by, step: first.step}
	from := time.Time{}
	for k := 0; k <= len(r.swaps); k++ {
		to, next := r.now.Add(time.Nanosecond), time.Time{}
		if k < len(r.swaps) {
			to, next = r.swaps[k].at.Add(-inHands), r.swaps[k].at
		}
		at := &r.units[s.at(from)].wire
		for i := range at.batches {
			if b := &at.batches[i]; !b.since.Before(from) && b.since.Before(to) {
				w.batches = append(w.batches, *b)
			}
		}
		from = next
	}
	return w
}

// handled reports whether somebody had cables in hands at an instant.
func (r *Ring) handled(at time.Time) bool {
	return slices.ContainsFunc(r.swaps, func(s swapped) bool { return !at.Before(s.at.Add(-inHands)) && at.Before(s.at) })
}

// whereNow returns the place where the cable of a place is now, and whether that is another one.
func (r *Ring) whereNow(unit int) (int, bool) {
	stays := r.staysOf(unit)
	if len(stays) == 0 {
		return unit, false
	}
	into := stays[len(stays)-1].into
	return into, into != unit
}

// shownByCalls judges a swap where nothing is counted: by what calls, trips and temperatures say of the cables and of the places.
func (r *Ring) shownByCalls(all []hypothesis, total float64, t *SwapTest) {
	cable, place := math.Inf(-1), math.Inf(-1)
	touched := []int{r.linkOf(t.Here).To, r.linkOf(t.There).To}
	for i := range all {
		h := &all[i]
		switch {
		case h.place == unitApart || h.place == unitDead || !slices.Contains(touched, h.unit):
		case h.stays != nil:
			cable = logAdd(cable, h.log)
		default:
			place = logAdd(place, h.log)
		}
	}
	suspected := math.Exp(logAdd(cable, place) - total)
	share := math.Exp(cable - logAdd(cable, place))
	switch {
	case suspected >= worthSwapping && share >= 0.95:
		t.Verdict = Moved
		t.Sentence = "It moved with the cable: what travels the ring is lost now where the cable is, and no longer where it was. Replace the cable."
	case suspected >= worthSwapping && share <= 0.05:
		t.Verdict = Stayed
		t.Sentence = "It stayed with the jacks: what travels the ring is still lost at the same place. The cable is good; look at the out jack, the in jack and the two units."
	default:
		t.Sentence = "Not yet known: nothing is counted on these cables, so the next float or equalize calls that have to pass these places will tell."
	}
}

// place returns the link of an id, and whether it is of the ring.
func (r *Ring) place(id fleet.LinkID) (fleet.Link, bool) {
	for _, l := range r.links {
		if l.ID == id {
			return l, true
		}
	}
	return fleet.Link{}, false
}
