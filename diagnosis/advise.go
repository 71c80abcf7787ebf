package diagnosis

import (
	"fmt"

	"ringwarden/fleet"
)

// likely is the probability from which on a suspect is worth acting on without more evidence.
const likely = 0.9

// worthSwapping is the probability from which on a swap is worth the walk, and cleared the one below which a cable serves
// for comparison.
const (
	worthSwapping = 0.3
	cleared       = 0.05
)

// advise says whether the evidence is enough, what would tell more, and which swap would.
func (r *Ring) advise(d *Diagnosis, traces []trace) {
	top := 0.0
	if len(d.Suspects) > 0 {
		top = d.Suspects[0].Probability
	}
	counts := false
	for i := range r.units {
		counts = counts || len(r.units[i].wire.batches) >= 10
	}
	if d.Unreached = len(r.units) > 1 && !r.reached(); d.Unreached {
		d.Needs = "No controller of this ring answers: that is the site's network or power, and no cable of the ring. Nothing can be said of what has happened since."
		return
	}
	if r.testing(d) {
		defer func() { d.Swap = "" }() // one swap at a time
	}
	d.Enough = top > 0.5 || d.Sound > 0.8 && (counts || len(traces) > 0)
	if top >= likely || d.Sound >= likely && d.Enough {
		if top >= likely && d.Suspects[0].What == BadCable {
			d.Swap = r.swapFor(d)
		}
		return
	}
	switch {
	case len(r.links) == 0:
		d.Needs = "There is no cable in this ring."
	case len(traces) == 0 && !counts:
		d.Needs = "Nothing has been seen yet that travels the ring. The next float or equalize call will say something; a register map with link counters would say it within minutes."
	case d.Calls < 3 && !counts:
		d.Needs = fmt.Sprintf("%s so far; after three calls that do not get round, the place is usually plain. A register map with link counters would show it within minutes.", fleet.Count(d.Calls, "call"))
	case counts:
		d.Needs = "Some more minutes of frames, or the next call, will make it plainer."
	default:
		d.Needs = "The next calls will make it plainer, best while every unit is awake: where a unit sleeps or does not answer, nobody can tell the cables on its two sides apart."
	}
	if top >= worthSwapping {
		d.Swap = r.swapFor(d)
	}
}

// testing reports whether the newest swap is about what is suspected most: then it tells what to do.
func (r *Ring) testing(d *Diagnosis) bool {
	if d.Tested == nil || len(d.Suspects) == 0 {
		return false
	}
	top := d.Suspects[0].Link
	return top == d.Tested.Here || top == d.Tested.There
}

// swapFor names the swap that tells a suspected cable from the jacks at its ends and from its units.
func (r *Ring) swapFor(d *Diagnosis) string {
	suspected := map[string]bool{}
	first := -1
	for _, s := range d.Suspects {
		if s.What != BadCable {
			continue
		}
		suspected[string(s.Link)] = s.Probability > cleared
		for i, l := range r.links {
			if l.ID == s.Link && first < 0 {
				first = i
			}
		}
	}
	if first < 0 {
		return ""
	}
	n := len(r.links)
	for far := n / 2; far < n+n/2; far++ {
		l := r.links[(first+far)%n]
		if suspected[string(l.ID)] {
			continue
		}
		return fmt.Sprintf("Swap the cable %s with the cable %s, which nothing speaks against. If the trouble moves along, it is the cable; if it stays, it is the out jack of %s, the in jack of %s, or one of these units.",
			r.cableName(first), r.cableName((first+far)%n), r.units[r.links[first].From].name, r.units[r.links[first].To].name)
	}
	return fmt.Sprintf("Put a cable that is known to be good in the place of the cable %s.", r.cableName(first))
}

func (r *Ring) cableName(i int) string {
	l := r.links[i]
	return "from " + r.units[l.From].name + " to " + r.units[l.To].name
}
