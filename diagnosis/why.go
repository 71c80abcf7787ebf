package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ringwarden/diagnosis/statistics"
	"ringwarden/fleet"
)

// A Why is what the counts of one cable say of how and since when it is bad.
type Why struct {
	// Changed: its share of bad frames changed once, clearly. At is the likeliest time; Low and High bound it with 95 %.
	Changed       bool
	At, Low, High time.Time
	Before, After float64 // share of bad and absent frames
	// Bursts: bad times come in bursts. Length is the mean of one, Spacing from the beginning of one to that of the next.
	Bursts          bool
	Length, Spacing time.Duration
	Associations    []Association // what the share goes along with since it changed, where that is no chance
	Sentences       []string
}

// clearly is the logarithm of the likelihood ratio from which on a change is no chance: the places where it may have been
// are looked at all together, and there are about a hundred.
const clearly = 10

// Why looks into the counts of a cable; of one that is not in the ring, or that nothing is counted on, it says nothing.
func (r *Ring) Why(id fleet.LinkID) Why {
	for _, l := range r.links {
		if w := &r.units[l.To].wire; l.ID == id && len(w.batches) >= 8 {
			return r.why(w)
		}
	}
	return Why{}
}

func (r *Ring) why(w *wire) Why {
	var y Why
	x, n := make([]float64, len(w.batches)), make([]float64, len(w.batches))
	for i := range w.batches {
		x[i], n[i] = w.batches[i].spoilt()
	}
	y.Before = ratio(x, n)
	y.After = y.Before
	if c := statistics.ShareShift(x, n); c.Gain > clearly {
		y.Changed = true
		y.At, y.Low, y.High = w.batches[c.After].since, w.batches[c.Low-1].since, w.batches[min(c.High, len(w.batches)-1)].since
		y.Before, y.After = ratio(x[:c.After], n[:c.After]), ratio(x[c.After:], n[c.After:])
		y.Sentences = append(y.Sentences, fmt.Sprintf("The share of bad or missing frames went from %s to %s about %s (between %s and %s).",
			percent(y.Before), percent(y.After), r.day(y.At), r.day(y.Low), r.day(y.High)))
		x, n = x[c.After:], n[c.After:]
	}
	y.bursts(x, n, w.step)
	y.Associations = w.associate(len(w.batches)-len(x), r.Zone)
	for _, a := range y.Associations {
		y.Sentences = append(y.Sentences, a.Sentence)
	}
	return y
}

// around is what goes on beside a cable, in the order of surroundings.
type around [4]float64

var surroundings = []string{"battery temperature", "current of the receiving unit", "wind power", "hydro power"}

func (r *Ring) around(i int) around {
	a := around{0, r.units[i].current, r.turning[0], r.turning[1]}
	a[0] = r.units[i].heat.value
	if r.reference >= 0 {
		a[0] = r.units[r.reference].heat.value
	}
	return a
}

// associate looks for what the share of bad frames goes along with, from a batch on.
func (w *wire) associate(from int, zone *time.Location) []Association {
	var share []float64
	others := map[string][]float64{}
	const hours = "hours from midday"
	for i := range w.batches[from:] {
		b := &w.batches[from+i]
		x, n := b.spoilt()
		if n == 0 || b.readings == 0 {
			continue
		}
		share = append(share, x/n)
		for k, name := range surroundings {
			others[name] = append(others[name], b.around[k]/b.readings)
		}
		at := b.since.Add(w.step / 2).In(zone)
		others[hours] = append(others[hours], math.Abs(float64(at.Hour())+float64(at.Minute())/60-12))
	}
	return Associate("share of bad frames", share, others, append([]string{hours}, surroundings...))
}

// bursts looks for bad times among good ones: batches with far more bad frames than the others.
func (y *Why) bursts(x, n []float64, step time.Duration) {
	share := ratio(x, n)
	bad := make([]bool, len(x))
	var inside, within float64
	for i := range x {
		bad[i] = x[i] > 2 && x[i] > 2*share*n[i]
		if bad[i] {
			inside, within = inside+x[i], within+n[i]
		}
	}
	fit, ok := statistics.FitBursts(bad)
	if !ok || inside < 0.6*share*total(n) || within > 0.5*total(n) {
		return
	}
	y.Bursts = true
	y.Length = time.Duration(fit.MeanBurst() * float64(step))
	y.Spacing = time.Duration(fit.MeanSpacing() * float64(step))
	y.Sentences = append(y.Sentences, fmt.Sprintf("It comes in bursts: about %s long, one every %s or so, seen in steps of %s. That is rather a loose contact than a weak cable.",
		y.Length.Round(time.Second), y.Spacing.Round(time.Minute), step))
}

func total(xs []float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += x
	}
	return sum
}

func ratio(x, n []float64) float64 {
	if t := total(n); t > 0 {
		return total(x) / t
	}
	return 0
}

// An Association is how one thing goes along with another.
type Association struct {
	With     string
	Rank     float64 // Spearman's rank correlation, -1 to 1
	P        float64 // chance of one as strong if they had nothing to do with each other, adjusted by Holm for all that were tried
	Sentence string
}

// shuffles of a permutation test: enough to tell a chance of one in a hundred after Holm's correction for ten.
const shuffles = 2000

// Associate says what a series, as the share of bad frames by hour, goes along with among others of the same length, as
// the hour of day, the battery's temperature, the current or the power of the wind. What might as well be chance is left
// out, and what is said is a hint: two things that go together need not cause each other. The same input gives the same
// answer: the shuffles are seeded.
func Associate(what string, series []float64, others map[string][]float64, names []string) []Association {
	var all []Association
	var ps []float64
	for i, name := range names {
		o := others[name]
		if len(o) != len(series) || len(o) < 8 {
			continue
		}
		if slices.Min(o) == slices.Max(o) {
			continue // it never moved, or is not read
		}
		all = append(all, Association{With: name, Rank: statistics.Spearman(series, o)})
		ps = append(ps, statistics.PermutationP(series, o, shuffles, uint64(i)+1))
	}
	var told []Association
	for i, p := range statistics.Holm(ps) {
		a := all[i]
		if a.P = p; p > 0.05 {
			continue
		}
		way, strength := "rises", "weakly"
		if a.Rank < 0 {
			way = "falls"
		}
		switch s := max(a.Rank, -a.Rank); {
		case s > 0.7:
			strength = "strongly"
		case s > 0.4:
			strength = "clearly"
		}
		a.Sentence = fmt.Sprintf("A hint: the %s %s %s with the %s (rank correlation %.2f over %d values; chance %.2g).", what, way, strength, a.With, a.Rank, len(series), p)
		told = append(told, a)
	}
	return told
}
