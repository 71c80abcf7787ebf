package diagnosis

import (
	"math"
	"slices"
	"time"

	"ringwarden/fleet"
)

// What says what a suspect is.
type What uint8

// What can be wrong.
const (
	Nothing  What = iota
	BadCable      // the cable, or the out jack or the in jack at its ends: only a swap tells those apart
	NotTakingPart
	DeadUnit
)

var whatNames = [...]string{"nothing wrong", "bad cable", "unit not taking part", "dead unit"}

// String returns the words that people see.
func (w What) String() string { return whatNames[w] }

// A Suspect is one thing that may be wrong.
type Suspect struct {
	What        What
	Link        fleet.LinkID       // of a bad cable
	Unit        fleet.ControllerID // of a unit
	Name        string             // in words, as in "cable from Alder to Birch"
	Probability float64            // 0 to 1
	How         string             // of a bad cable: "dead", "failing now and then" or "noisy"
	Itself      float64            // of a bad cable: how likely it is the cable and not a jack at its ends, 0 to 1
	Now         fleet.LinkID       // of a bad cable that a swap has carried away from Link: where it is now; otherwise empty
	// From and To are when it began, with 95 % probability.
	From, To time.Time
	Evidence []string // sentences
}

// A Diagnosis is what the evidence says of a ring.
type Diagnosis struct {
	Sound    float64   // probability that nothing is wrong
	Suspects []Suspect // the likeliest first
	Enough   bool      // something is likelier than not, be it that nothing is wrong
	Needs    string    // what would tell more; empty: nothing is needed
	Swap     string    // the swap that would tell the rest apart; empty: none would
	Calls    int       // calls that were evidence
	Tested   *SwapTest // what the newest swap of cables has shown; nil: none was filed
	// Unreached: no unit answers. That is the site's network or power; a unit that is suspected to be dead need not be.
	Unreached bool
}

// What was likely before any evidence: a ring that somebody asks about is sound two times in five, and cables break more
// often than units (common practice, no source). Each share is spread over the ring's cables or units.
const (
	priorSound    = 0.4
	priorCable    = 0.38
	priorApart    = 0.11
	priorHeedless = 0.04 // a unit that follows calls, and does not stop at a shared trip
	priorDead     = 0.07

	priorSecond = 0.15 // that something else is wrong as well, of what it would be alone
)

// cableWays are the ways in which a cable is bad, with the share of each among bad cables.
var cableWays = []struct {
	place place
	share float64
	word  string
}{{cableDead, 0.5, "dead"}, {cableAtWill, 0.12, "failing now and then"}, {cableSeldom, 0.08, "failing now and then"}, {cableNoisy, 0.3, "noisy"}}

// A hypothesis is what is wrong with one unit, or with a spot.
type hypothesis struct {
	*spot
	place place
	prior float64
	log   float64   // posterior, not yet normed
	parts []float64 // log-weights of the times in which it may have begun
}

// leastShown is the smallest probability of a suspect that is told, and mostShown how many are.
const (
	leastShown = 0.005
	mostShown  = 10
)

// Diagnose weighs what is remembered.
func (r *Ring) Diagnose() Diagnosis {
	traces := r.traces(nil, time.Time{})
	counts := r.scale()
	all := r.hypotheses(traces, counts)
	total := math.Log(priorSound)
	for i := range all {
		total = logAdd(total, all[i].log)
	}
	total = r.second(all, traces, total)
	d := Diagnosis{Sound: math.Exp(math.Log(priorSound) - total)}
	for _, t := range traces {
		if t.what == "call" {
			d.Calls++
		}
	}
	if t, counted := r.tested(); t != nil {
		if d.Tested = t; !counted {
			r.shownByCalls(all, total, t)
		}
	}
	r.rank(&d, all, traces, total, counts.norm.usual)
	r.advise(&d, traces)
	return d
}

// second weighs two faults at once: the likeliest one, and each other beside it. The likelihood of a pair counts for both
// of its parts, and once for the total, which is returned.
func (r *Ring) second(all []hypothesis, traces []trace, total float64) float64 {
	if len(all) == 0 || all[0].log-total < math.Log(0.1) {
		return total
	}
	first := all[0]
	from, _ := r.began(&first, traces)
	given := r.traces(&first, from)
	pairs := math.Inf(-1)
	for i := 1; i < len(all); i++ {
		h := &all[i]
		if h.unit == first.unit || first.place == unitDead && r.into[h.unit] >= 0 && r.links[r.into[h.unit]].From == first.unit {
			continue // its own two sides cannot be told apart
		}
		if first.visits(h.spot) || h.visits(first.spot) {
			continue // the same counts would speak for both
		}
		beside := weigh(h.spot, h.place, h.prior, given)
		l := first.log + beside.log + math.Log(priorSecond/priorSound)
		if first.stays != nil {
			l -= h.apart // it is in the first already
		}
		h.log = logAdd(h.log, l)
		pairs = logAdd(pairs, l)
	}
	all[0].log = logAdd(all[0].log, pairs)
	return logAdd(total, pairs)
}

// hypotheses weighs each against nothing being wrong.
func (r *Ring) hypotheses(traces []trace, counts *scale) []hypothesis {
	var all []hypothesis
	n := float64(len(r.units))
	for _, s := range r.spots(counts) {
		i := s.unit
		if r.into[i] >= 0 {
			for _, c := range cableWays {
				all = append(all, weigh(s, c.place, math.Log(priorCable*c.share*s.share/float64(len(r.links)))+s.apart, traces))
			}
		}
		if len(r.links) == 0 || s.stays != nil {
			continue
		}
		u := &r.units[i]
		apart, dead := math.Log(priorApart/n), math.Log(priorDead/n)
		switch u.enabled {
		case isFalse:
			apart += 10
		case isTrue:
			apart -= 4
		}
		switch {
		case u.missed < 3:
			dead -= 8 // it answers
		case !r.together(i):
			dead += 8
		}
		all = append(all, weigh(s, unitApart, apart, traces), weigh(s, unitDead, dead, traces))
		if len(r.trips) > 0 { // nothing else shows it
			all = append(all, weigh(s, unitHeedless, math.Log(priorHeedless/n), traces))
		}
	}
	slices.SortFunc(all, func(a, b hypothesis) int {
		switch {
		case a.log > b.log:
			return -1
		case a.log < b.log:
			return 1
		case a.unit != b.unit:
			return a.unit - b.unit
		case a.place != b.place:
			return int(a.place) - int(b.place)
		}
		return len(a.stays) - len(b.stays)
	})
	return all
}

// reached reports whether any unit answers. Where none does it is the site's network or power, and says nothing of a unit.
func (r *Ring) reached() bool {
	return slices.ContainsFunc(r.units, func(u unit) bool { return u.missed < 3 })
}

// together reports whether another unit fell silent when a unit did: then it is rather what both are reached by.
func (r *Ring) together(i int) bool {
	for k := range r.units {
		if u := &r.units[k]; k != i && u.missed >= 3 && r.units[i].answered.Sub(u.answered).Abs() <= r.lapse() {
			return true
		}
	}
	return false
}

// weigh adds up the evidence for a hypothesis over all times at which it may have begun: before the first event, between
// two of them, or after the last.
func weigh(s *spot, p place, prior float64, traces []trace) hypothesis {
	h := hypothesis{spot: s, place: p, prior: prior, log: math.Inf(-1), parts: make([]float64, len(traces)+1)}
	gains := s.counts[p]
	last := len(traces)
	if last > 0 && traces[last-1].what == "temperature" {
		h.parts[last] = math.Inf(-1) // that is how it stands now: nothing can have begun after it
		last--
	}
	after := 0.0
	for k := last; k >= 0; k-- {
		if k < len(traces) {
			after += traces[k].logs[p][s.at(traces[k].at)] - traces[k].plain
		}
		h.parts[k] = after - math.Log(float64(last+1)) + s.wire.within(gains, traces, k)
		h.log = logAdd(h.log, h.parts[k])
	}
	h.log += prior
	return h
}

// within returns what the counts say if the cable broke between event k-1 and event k: the mean over the batches of that
// time.
func (w *wire) within(gains []float64, traces []trace, k int) float64 {
	if len(gains) < 2 {
		return 0
	}
	from, to := 0, len(gains)-1
	if k > 0 {
		from = w.batchAt(traces[k-1].at)
	}
	if k < len(traces) {
		to = w.batchAt(traces[k].at)
	}
	// A cable that breaks after everything that was counted is another one's affair, unless nothing was counted in this time.
	if last := len(gains) - 2; from <= last {
		to = min(to, last)
	}
	to = max(to, from)
	sum := math.Inf(-1)
	for _, g := range gains[from : to+1] {
		sum = logAdd(sum, g)
	}
	return sum - math.Log(float64(to-from+1))
}

// batchAt returns the first batch that begins at or after an instant.
func (w *wire) batchAt(at time.Time) int {
	i, _ := slices.BinarySearchFunc(w.batches, at, func(b batch, t time.Time) int { return b.since.Compare(t) })
	return i
}

// The weighing takes what it has for evidence of less than it is: log-odds beyond those of one in ten are as if they were so
// many times as large. It was fitted once, on made-up histories whose seeds nothing else uses. What is below one in ten is
// left alone: many such share what is not known, and would add up to more than there is.
const (
	modest    = 1.4
	leastSure = 0.1
)

// temper corrects the probability of a suspect for that.
func temper(p float64) float64 {
	if p < leastSure || p >= 1 {
		return min(p, 1)
	}
	at := math.Log(leastSure / (1 - leastSure))
	return 1 / (1 + math.Exp(-at-modest*(math.Log(p/(1-p))-at)))
}

// rank turns hypotheses into suspects: those of one cable are one suspect.
func (r *Ring) rank(d *Diagnosis, all []hypothesis, traces []trace, total, usual float64) {
	type key struct {
		what What
		unit int
	}
	sums, itself, best := map[key]float64{}, map[key]float64{}, map[key]*hypothesis{}
	var order []key
	for i := range all {
		h := &all[i]
		k := key{BadCable, h.unit}
		switch h.place {
		case unitApart, unitHeedless:
			k.what = NotTakingPart
		case unitDead:
			k.what = DeadUnit
		}
		if best[k] == nil {
			best[k] = h // the likeliest comes first
			order = append(order, k)
		}
		sums[k] += math.Exp(h.log - total)
		if h.stays != nil {
			itself[k] += math.Exp(h.log - total)
		}
	}
	slices.SortStableFunc(order, func(a, b key) int {
		switch {
		case sums[a] > sums[b]:
			return -1
		case sums[a] < sums[b]:
			return 1
		}
		return 0
	})
	for _, k := range order[:min(mostShown, len(order))] {
		if sums[k] < leastShown {
			break
		}
		s := Suspect{What: k.what, Probability: temper(sums[k])}
		d.Sound = min(d.Sound, 1-s.Probability)
		if k.what == BadCable {
			s.Link = r.links[r.into[k.unit]].ID
			s.Name = "cable " + r.cableName(r.into[k.unit])
			if s.Itself = priorItself; r.staysOf(k.unit) != nil {
				s.Itself = itself[k] / sums[k]
			}
			for _, c := range cableWays {
				if c.place == best[k].place {
					s.How = c.word
				}
			}
		} else {
			s.Unit, s.Name = r.units[k.unit].c.ID, r.units[k.unit].name
		}
		s.From, s.To = r.began(best[k], traces)
		s.Evidence = r.tell(best[k], traces, usual)
		if k.what == BadCable && s.Probability >= worthSwapping {
			r.jacks(&s, d.Tested)
		}
		d.Suspects = append(d.Suspects, s)
	}
}

// began returns when a hypothesis began to hold, with 95 % probability.
func (r *Ring) began(h *hypothesis, traces []trace) (from, to time.Time) {
	total := math.Inf(-1)
	for _, l := range h.parts {
		total = logAdd(total, l)
	}
	sum := 0.0
	for k, l := range h.parts {
		sum += math.Exp(l - total)
		if sum >= 0.025 && from.IsZero() && k > 0 {
			from = traces[k-1].at
		}
		if sum >= 0.975 {
			if k < len(traces) {
				to = traces[k].at
			} else {
				to = r.now
			}
			break
		}
	}
	return from, to
}
