package diagnosis

import (
	"math"
	"slices"
	"time"

	"ringwarden/fleet"
)

// A trace is one event as evidence: its chain, and when it was.
type trace struct {
	*chain
	what string // "call", "trip" or "temperature"
	call *Call
	e    *event
	at   time.Time
}

// traces returns the events that are evidence, oldest first, and the temperatures as they stand last. given, where it is
// not nil, is taken to be wrong from an instant on.
func (r *Ring) traces(given *hypothesis, from time.Time) []trace {
	var all []trace
	chained := func(e *event, s fleet.Stage, needsStart bool) *chain {
		wrong, at := sound, -1
		if given != nil && !e.at.Before(from) {
			wrong, at = given.place, given.at(e.at)
		}
		return newChain(r.sightings(e, s), needsStart, wrong, at)
	}
	for i := range r.calls {
		c := &r.calls[i]
		if len(c.Missing) == 0 && len(c.Steps) < 2 || r.handled(c.at) {
			continue // one unit went there and nobody else could have: it says nothing
		}
		all = append(all, trace{chain: chained(&c.event, c.Stage, true), what: "call", call: c, e: &c.event, at: c.at})
	}
	for i := range r.trips {
		e := &r.trips[i]
		if r.handled(e.at) {
			continue
		}
		all = append(all, trace{chain: chained(e, fleet.Fault, false), what: "trip", e: e, at: e.at})
	}
	slices.SortStableFunc(all, func(a, b trace) int { return a.at.Compare(b.at) })
	if e, ok := r.temperatures(); ok {
		all = append(all, trace{chain: chained(e, fleet.StageUnknown, false), what: "temperature", e: e, at: r.now})
	}
	for i := range all {
		all[i].temper()
	}
	return all
}

// sightings turns what units did into what the chain needs to know of each. The stage is unknown for temperatures.
func (r *Ring) sightings(e *event, s fleet.Stage) []sighting {
	n := len(r.units)
	seen := make([]sighting, n)
	starts, heedless := 0.0, deafer
	switch {
	case s.Coordinated():
		starts, heedless = min(0.1, 1/float64(n)), deaf // one of them begins in about the time that a call takes
	case s == fleet.StageUnknown:
		starts = stale
	default:
		starts = 0.001
	}
	for i := range seen {
		seen[i] = sighting{part: e.part[i], start: starts, deaf: heedless, trip: s == fleet.Fault, away: e.silent[i], source: i == e.source, wired: r.into[i] >= 0}
		if e.part[i] == Followed && s.Coordinated() {
			r.timing(e, i, &seen[i])
		}
	}
	return seen
}

// timing compares a follower with the nearest follower upstream.
func (r *Ring) timing(e *event, i int, s *sighting) {
	hop := r.hop()
	for up, hops := i, 1; hops < len(r.units); hops++ {
		var ok bool
		if up, ok = r.upstream(up); !ok {
			return
		}
		if e.part[up] != Followed {
			continue
		}
		s.early = !e.after[up].IsZero() && !e.by[i].After(e.after[up])
		s.late = e.after[i].After(e.by[up].Add(time.Duration(hops)*hop + margin))
		return
	}
}

// strays is how much of an event's likelihood stands aside for what no single fault explains, as two at once.
const strays = 0.01

// temper mixes a little of the mean likelihood into each.
func (t *trace) temper() {
	total, n := t.plain, 1.0
	for _, logs := range t.logs {
		for _, l := range logs {
			total = logAdd(total, l)
			n++
		}
	}
	floor := total - math.Log(n) + math.Log(strays)
	mix := func(l float64) float64 { return logAdd(l+math.Log(1-strays), floor) }
	t.plain = mix(t.plain)
	for _, logs := range t.logs {
		for i := range logs {
			logs[i] = mix(logs[i])
		}
	}
}

const (
	proofHolds = 20 * time.Minute // after a change that the reference had as well
	differs    = 1.0              // °C; less may be the way that values take
	settles    = 3 * time.Minute  // after a swap of cables
)

// temperatures says who uses the reference's temperature now, and who an old or a default one.
func (r *Ring) temperatures() (*event, bool) {
	ref := r.reference
	if ref < 0 {
		return nil, false
	}
	t := &r.units[ref].heat
	if t.at.IsZero() || r.now.Sub(t.at) > r.lapse() {
		return nil, false
	}
	n := len(r.units)
	e := &event{part: make([]Part, n), silent: make([]bool, n), source: ref, at: r.now}
	told := false
	var settled time.Time // since when they tell of the cables as they are now
	if n := len(r.swaps); n > 0 {
		settled = r.swaps[n-1].at.Add(settles)
	}
	for i := range r.units {
		u := &r.units[i]
		h := &u.heat
		e.silent[i] = r.now.Sub(u.answered) > r.lapse()
		switch {
		case i == ref || u.sensor == isTrue || h.at.Before(settled) || h.at.IsZero() || r.now.Sub(h.at) > r.lapse():
		case math.Abs(h.value-t.value) >= differs, h.apart.After(h.proof) && h.apart.After(settled): // an old value may meet the true one by chance
			e.part[i], told = Remained, true
		case h.proof.After(settled) && !h.proof.IsZero() && r.now.Sub(h.proof) <= proofHolds && math.Abs(h.value-t.value) < 0.5:
			e.part[i], told = Followed, true
		}
	}
	return e, told
}
