package diagnosis

import (
	"fmt"
	"math"
	"time"

	"ringwarden/diagnosis/statistics"
	"ringwarden/fleet"
)

// A Tally is frames counted in a time: so many bad ones of so many.
type Tally struct {
	Bad, Frames float64
	For         time.Duration
}

// A Verdict of a swap test.
type Verdict uint8

// The verdicts.
const (
	NotYet Verdict = iota
	Moved          // the trouble moved with the cable
	Stayed         // it stayed with the jacks, or the units at the ends
	Gone           // it is at neither place any more: it was the plug, or it comes and goes
	Both           // both places are bad now
)

var verdictNames = [...]string{"not yet known", "moved with the cable", "stayed with the jacks", "gone", "bad at both places"}

// String returns the words that people see.
func (v Verdict) String() string { return verdictNames[v] }

// A SwapResult is what a swap of two cables has shown.
type SwapResult struct {
	Verdict Verdict
	Wait    time.Duration // about how much longer until it is known with 95 %, where it is not yet; 0: nobody can say
	// Here and There are how much less the share of bad frames is than before, at the suspected place and at the other.
	Here, There           float64
	HereRange, ThereRange statistics.Interval // 95 %, Newcombe's method 10
	Sentence              string
}

// Swap judges a swap of the cable of a suspected place with that of another, from what each place's receiver counted
// before and after. Each comparison is one of two proportions at 95 %: Newcombe's interval of the difference, and Fisher's
// exact test where fewer than five bad frames are expected.
func Swap(hereBefore, hereAfter, thereBefore, thereAfter Tally) SwapResult {
	var r SwapResult
	for _, t := range []Tally{hereBefore, hereAfter, thereBefore, thereAfter} {
		if t.Frames <= 0 {
			r.Sentence = "Not yet known: one of the four counts is empty."
			return r
		}
	}
	r.Here, r.HereRange = statistics.Difference(hereBefore.Bad, hereBefore.Frames, hereAfter.Bad, hereAfter.Frames, statistics.Z95)
	r.There, r.ThereRange = statistics.Difference(thereBefore.Bad, thereBefore.Frames, thereAfter.Bad, thereAfter.Frames, statistics.Z95)
	better := differ(hereBefore, hereAfter) && r.Here > 0
	worse := differ(thereBefore, thereAfter) && r.There < 0
	same := !better && decided(hereBefore, hereAfter)
	calm := !worse && decided(hereBefore, thereAfter)
	switch {
	case better && worse:
		r.Verdict = Moved
	case same && calm:
		r.Verdict = Stayed
	case better && calm:
		r.Verdict = Gone
	case same && worse:
		r.Verdict = Both
	default:
		r.Wait = wait(hereBefore, hereAfter, thereAfter)
	}
	r.Sentence = r.say(hereBefore, hereAfter, thereBefore, thereAfter)
	return r
}

// differ reports whether two shares differ at 95 %.
func differ(a, b Tally) bool {
	expected := (a.Bad + b.Bad) * min(a.Frames, b.Frames) / (a.Frames + b.Frames)
	if expected < 5 && a.Frames+b.Frames < 1e6 {
		bad1, bad2 := int(a.Bad), int(b.Bad)
		_, _, p := statistics.Fisher(bad1, int(a.Frames)-bad1, bad2, int(b.Frames)-bad2)
		return p < 0.05
	}
	_, p := statistics.SameProportion([]float64{a.Bad, b.Bad}, []float64{a.Frames, b.Frames})
	return p < 0.05
}

// decided reports whether enough was counted to have seen a difference of half of the trouble: 95 times of 100 at 95 %.
func decided(trouble, after Tally) bool { return after.Frames >= needed(trouble) }

// needed is how many frames tell the trouble's share from half of it, with 5 % of error either way (the usual formula for
// two proportions, normal approximation; Fleiss 1981, from memory).
func needed(trouble Tally) float64 {
	p1 := trouble.Bad / trouble.Frames
	p2 := p1 / 2
	if p1 <= 0 {
		return math.Inf(1)
	}
	const z = statistics.Z95 + 1.6448536269514722
	return z * z * (p1*(1-p1) + p2*(1-p2)) / ((p1 - p2) * (p1 - p2))
}

// wait returns how long it takes until enough is counted at both places, at the rate so far.
func wait(trouble, here, there Tally) time.Duration {
	need := needed(trouble)
	longest := time.Duration(0)
	for _, t := range []Tally{here, there} {
		if t.For <= 0 || math.IsInf(need, 1) {
			return 0
		}
		if missing := need - t.Frames; missing > 0 {
			longest = max(longest, time.Duration(missing/t.Frames*float64(t.For)))
		}
	}
	return max(longest, time.Minute)
}

func (r *SwapResult) say(hereBefore, hereAfter, thereBefore, thereAfter Tally) string {
	share := func(t Tally) string { return percent(t.Bad / t.Frames) }
	figures := fmt.Sprintf("bad frames went from %s to %s at the suspected place and from %s to %s at the other",
		share(hereBefore), share(hereAfter), share(thereBefore), share(thereAfter))
	switch r.Verdict {
	case Moved:
		return "It moved with the cable: " + figures + ". Replace the cable."
	case Stayed:
		return "It stayed with the jacks: " + figures + ". The cable is good; look at the out jack, the in jack and the two units."
	case Gone:
		return "It is gone: " + figures + ". Plugging it anew may have mended a contact; watch it."
	case Both:
		return "Both places are bad now: " + figures + ". The cable is bad, and a jack or unit at the suspected place may be as well."
	}
	if r.Wait == 0 {
		return "Not yet known, and too few bad frames were counted before the swap to say how long it takes: " + figures + "."
	}
	return fmt.Sprintf("Not yet known: %s. Wait about %s.", figures, fleet.Span((r.Wait + time.Minute - 1).Truncate(time.Minute)))
}

// Count returns what was counted on a cable from one instant to another, for [Swap]. Absent frames count as bad ones. The
// counts are kept in batches: those that begin within the time are taken.
func (r *Ring) Count(id fleet.LinkID, from, to time.Time) Tally {
	var t Tally
	for _, l := range r.links {
		if l.ID != id {
			continue
		}
		w := &r.units[l.To].wire
		for i := range w.batches {
			if b := &w.batches[i]; !b.since.Before(from) && b.since.Before(to) {
				x, n := b.spoilt()
				t.Bad, t.Frames, t.For = t.Bad+x, t.Frames+n, t.For+w.step
			}
		}
	}
	return t
}
