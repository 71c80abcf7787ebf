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
	// Clumps is how many times the scatter between batches is what chance alone makes; below 1: unknown, as 1. Frames that
	// come bad in clumps tell as much as so many times fewer that do not.
	Clumps float64
}

func (t Tally) share() float64 { return t.Bad / t.Frames }

// thinned returns the tally as chance alone would have to make it to tell as much.
func (t Tally) thinned(clumps float64) Tally {
	if clumps > 1 {
		t.Bad, t.Frames = t.Bad/clumps, t.Frames/clumps
	}
	return t
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
// before and after. A place is bad or fine after it if its share of bad frames fell by less or by more than half of the
// trouble, at 95 % (Newcombe's interval of the difference of two proportions): cables have shares of their own, and a
// difference that is small beside the trouble is none of it. Where the bad frames before came in clumps, they count for less.
func Swap(hereBefore, hereAfter, thereBefore, thereAfter Tally) SwapResult {
	var r SwapResult
	for _, t := range []Tally{hereBefore, hereAfter, thereBefore, thereAfter} {
		if t.Frames <= 0 {
			r.Sentence = "Not yet known: one of the four counts is empty."
			return r
		}
	}
	figures := swapFigures(hereBefore, hereAfter, thereBefore, thereAfter)
	for clumps, t := hereBefore.Clumps, []*Tally{&hereBefore, &hereAfter, &thereBefore, &thereAfter}; len(t) > 0; t = t[1:] {
		*t[0] = t[0].thinned(clumps)
	}
	r.Here, r.HereRange = statistics.Difference(hereBefore.Bad, hereBefore.Frames, hereAfter.Bad, hereAfter.Frames, statistics.Z95)
	r.There, r.ThereRange = statistics.Difference(thereBefore.Bad, thereBefore.Frames, thereAfter.Bad, thereAfter.Frames, statistics.Z95)
	_, apart := statistics.Difference(hereBefore.Bad, hereBefore.Frames, thereAfter.Bad, thereAfter.Frames, statistics.Z95)
	half := (hereBefore.share() - thereBefore.share()) / 2
	if half <= 0 || !differ(hereBefore, thereBefore) {
		r.Sentence = "Not yet known: the suspected place was not plainly worse than the other before the swap; " + figures + "."
		return r
	}
	switch here, there := r.HereRange, apart; {
	case here.Low > half && there.High < half:
		r.Verdict = Moved
	case here.High < half && there.Low > half:
		r.Verdict = Stayed
	case here.Low > half && there.Low > half:
		r.Verdict = Gone
	case here.High < half && there.High < half:
		r.Verdict = Both
	default:
		r.Wait = wait(hereBefore, thereBefore, hereAfter, thereAfter)
	}
	r.Sentence = r.say(figures)
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

// needed is how many frames after a swap tell whether a place has the trouble or not: 95 times of 100, with 5 % of error (the
// usual formula for two proportions, normal approximation; Fleiss 1981, from memory). Infinite where too few were counted before.
func needed(trouble, calm Tally) float64 {
	const z = statistics.Z95 + 1.6448536269514722
	p, q := trouble.share(), calm.share()
	half := (p - q) / 2
	left := half*half/(z*z) - p*(1-p)/trouble.Frames
	if left <= 0 {
		return math.Inf(1)
	}
	return max(p*(1-p), q*(1-q)) / left
}

// wait returns how long it takes until enough is counted at both places, at the rate so far.
func wait(trouble, calm, here, there Tally) time.Duration {
	need := needed(trouble, calm)
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

func swapFigures(hereBefore, hereAfter, thereBefore, thereAfter Tally) string {
	return fmt.Sprintf("bad frames went from %s to %s at the suspected place and from %s to %s at the other",
		percent(hereBefore.share()), percent(hereAfter.share()), percent(thereBefore.share()), percent(thereAfter.share()))
}

func (r *SwapResult) say(figures string) string {
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
	return fmt.Sprintf("Not yet known: %s. Wait about %s.", figures, r.waitWords())
}

func (r *SwapResult) waitWords() string {
	return fleet.Span((r.Wait + time.Minute - 1).Truncate(time.Minute))
}

// Count returns what was counted on a cable from one instant to another, for [Swap]. Absent frames count as bad ones. The
// counts are kept in batches: those that begin within the time are taken.
func (r *Ring) Count(id fleet.LinkID, from, to time.Time) Tally {
	l, ok := r.place(id)
	if !ok {
		return Tally{}
	}
	var t Tally
	var x, n []float64
	w := &r.units[l.To].wire
	for i := range w.batches {
		if b := &w.batches[i]; !b.since.Before(from) && b.since.Before(to) {
			bad, all := b.spoilt()
			t.Bad, t.Frames, t.For = t.Bad+bad, t.Frames+all, t.For+b.lasts
			x, n = append(x, bad), append(n, all)
		}
	}
	t.Clumps = clumps(x, n)
	return t
}

// clumps returns how many times the scatter of shares between batches is what chance alone makes: Pearson's statistic for one
// share by its degrees of freedom (McCullagh and Nelder 1989, 4.5.2, from memory). 1 where there are too few batches to say.
func clumps(x, n []float64) float64 {
	bad, all := total(x), total(n)
	if len(x) < 4 || bad <= 0 || bad >= all {
		return 1
	}
	p, sum := bad/all, 0.0
	for i := range x {
		if n[i] > 0 {
			d := x[i] - p*n[i]
			sum += d * d / (n[i] * p * (1 - p))
		}
	}
	return max(1, sum/float64(len(x)-1))
}
