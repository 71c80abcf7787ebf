package diagnosis

import (
	"math"
	"slices"
)

// What counted frames say. The share of bad frames on a good cable is near what is usual in its ring, and wanders: so
// batches are beta-binomial, with a concentration that lets one flurry pass without much notice (common practice, no source).
const (
	wanders  = 60.0
	leastBad = 0.001 // no cable is taken to be better
)

// A tone is a share of bad frames with how much it wanders and how likely it was before.
type tone struct{ share, wanders, weight float64 }

// goodTones are what a sound cable may have, given what is usual in the ring.
func goodTones(usual float64) []tone {
	var tones []tone
	for _, t := range []struct{ of, weight float64 }{{0.4, 0.15}, {0.7, 0.25}, {1, 0.3}, {1.5, 0.2}, {2.2, 0.1}} {
		tones = append(tones, tone{min(0.2, max(leastBad, t.of*usual)), wanders, t.weight})
	}
	return tones
}

// badTones are what a cable may have that is noisy, fails now and then, or is dead.
func badTones(p place, usual float64) []tone {
	switch p {
	case cableAtWill:
		return []tone{{0.15, 1, 0.4}, {0.3, 1.2, 0.4}, {0.6, 1.2, 0.2}}
	case cableDead:
		return []tone{{0.995, 200, 1}}
	}
	var tones []tone
	for _, share := range []float64{0.04, 0.07, 0.12, 0.2, 0.35, 0.6} {
		if share >= 2.5*usual {
			tones = append(tones, tone{share, wanders, 1})
		}
	}
	for i := range tones {
		tones[i].weight /= float64(len(tones))
	}
	return tones
}

// logs returns the logarithm of the beta-binomial likelihood of x bad ones of n as a function, without the term that all
// tones share.
func (t *tone) logs() func(x, n float64) float64 {
	a, b := t.share*t.wanders, (1-t.share)*t.wanders
	whole := lgamma(a+b) - lgamma(a) - lgamma(b)
	return func(x, n float64) float64 {
		if n == 0 {
			return 0
		}
		return lgamma(x+a) + lgamma(n-x+b) - lgamma(n+a+b) + whole
	}
}

func lgamma(x float64) float64 {
	l, _ := math.Lgamma(x)
	return l
}

// spoilt returns how many frames of a batch were bad or did not come, and how many there should have been.
func (b *batch) spoilt() (x, n float64) { return b.bad + b.absent, b.good + b.bad + b.absent }

// usual returns the share of bad frames that is usual in the ring: the lower median of its cables, so that one bad cable,
// even one of two, does not make itself usual.
func (r *Ring) usual() float64 {
	var shares []float64
	for i := range r.units {
		if r.into[i] < 0 || r.units[i].wire.by == byNothing {
			continue
		}
		shares = append(shares, r.units[i].wire.share())
	}
	if len(shares) == 0 {
		return 0
	}
	slices.Sort(shares)
	return min(0.05, shares[(len(shares)-1)/2])
}

// share returns a wire's share of bad frames, a little towards nought; of several times between swaps, the least.
func (w *wire) share() float64 {
	least := 1.0
	var x, n float64
	for i := range w.batches {
		bx, bn := w.batches[i].spoilt()
		x, n = x+bx, n+bn
		if i+1 == len(w.batches) || w.broken(w.batches[i].since, w.batches[i+1].since) {
			least = min(least, (x+1)/(n+200))
			x, n = 0, 0
		}
	}
	return least
}

// sums returns, for each tone, the running sums of the log-likelihoods of the batches; the last is that of all.
func (w *wire) sums(tones []tone) [][]float64 {
	all := make([][]float64, len(tones))
	for k := range tones {
		log := tones[k].logs()
		s := make([]float64, len(w.batches)+1)
		for i := range w.batches {
			x, n := w.batches[i].spoilt()
			s[i+1] = s[i] + log(x, n)
		}
		all[k] = s
	}
	return all
}

// A verdict on a cable's counts: for each way in which it may be bad, and each batch from which on, the logarithm of the
// likelihood against its being good all along. The last is of none.
type verdict [placeCount][]float64

// judge weighs a cable's counts, given what is usual in the ring.
func (w *wire) judge(usual float64) *verdict {
	v := &verdict{}
	n := len(w.batches)
	if n == 0 {
		return v
	}
	good := goodTones(usual)
	sums := w.sums(good)
	before := make([]float64, n+1) // of the counts up to a batch, if the cable is good
	for from := range before {
		before[from] = math.Inf(-1)
		for k := range good {
			before[from] = logAdd(before[from], math.Log(good[k].weight)+sums[k][from])
		}
	}
	for _, c := range cableWays {
		v[c.place] = w.gains(badTones(c.place, usual), before)
	}
	return v
}

// gains compares the tones of a bad cable with a good one's.
func (w *wire) gains(bad []tone, before []float64) []float64 {
	n := len(w.batches)
	sums := w.sums(bad)
	gains := make([]float64, n+1)
	for from := range n {
		after := math.Inf(-1)
		for k := range bad {
			after = logAdd(after, math.Log(bad[k].weight)+sums[k][n]-sums[k][from])
		}
		gains[from] = before[from] + after - before[n]
	}
	return gains
}

// logAdd returns the logarithm of the sum of two numbers that are given by theirs.
func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}
