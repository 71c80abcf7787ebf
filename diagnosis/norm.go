package diagnosis

import (
	"math"
	"slices"
	"time"
)

// A norm is what the counts of a ring's cables say of a sound one.
type norm struct {
	usual    float64 // share of bad frames of a cable in the middle
	wanders  float64 // concentration of the share from batch to batch, as of a beta distribution; large: it hardly does
	flurries float64 // chance that a batch of a sound cable has a flurry
	good     []tone  // the shares that a sound cable may have
}

// The shares of bad frames that are considered lie on a grid, each so many times the one before.
const (
	leastBad = 0.0005 // no cable is taken to be better
	mostGood = 0.1    // nor any sound one worse
	mostBad  = 0.97
	gridStep = 1.35
	// usualGood is what is usual in rings on average; much more is seldom (common practice, no source).
	usualGood = 0.01
)

const (
	// oddOnes is the share of a ring's cables that may be bad while the others say what is usual (common practice, no source).
	oddOnes = 0.1
	// A share wanders at least so little and at most so much, whatever a ring has shown (common practice, no source).
	wandersMost, wandersLeast = 30.0, 5000.0
	// flurryEvery is how often a few frames in a row are spoilt on a sound cable (common practice, no source).
	flurryEvery = 12 * time.Hour
)

// norm learns what is usual from all cables of the ring. A bad one counts for little, even one of two.
func (r *Ring) norm() *norm {
	n := &norm{wanders: wandersLeast, flurries: 0.001}
	var wires []*wire
	for i := range r.units {
		if w := &r.units[i].wire; r.into[i] >= 0 && len(w.batches) > 0 {
			wires = append(wires, w)
			n.flurries = min(0.05, float64(w.step)/float64(flurryEvery))
		}
	}
	n.shares(wires, n.wander(wires))
	return n
}

// calmest returns what was counted on a wire, bad ones, and all: of several times between swaps, in that with the least
// share, a little towards nought.
func (w *wire) calmest() (x, n float64) {
	least := 2.0
	var sx, sn float64
	for i := range w.batches {
		bx, bn := w.batches[i].spoilt()
		sx, sn = sx+bx, sn+bn
		if i+1 == len(w.batches) || w.broken(w.batches[i].since, w.batches[i+1].since) {
			if share := (sx + 1) / (sn + 200); share < least {
				least, x, n = share, sx, sn
			}
			sx, sn = 0, 0
		}
	}
	return x, n
}

// wander learns how much the share of one cable wanders from batch to batch, and returns by how many times that spreads the
// counts against chance alone: on the lower middle one of the cables.
func (n *norm) wander(wires []*wire) (excess float64) {
	var all []float64
	frames, batches := 0.0, 0.0
	for _, w := range wires {
		chi, degrees, counted := w.dispersion()
		if degrees < 1 {
			continue
		}
		all = append(all, chi/degrees)
		frames, batches = frames+counted, batches+degrees+1
	}
	if len(all) == 0 {
		return 1
	}
	slices.Sort(all)
	excess = max(1, all[(len(all)-1)/2])
	if each := frames / batches; excess > 1 && each > 1 {
		n.wanders = min(wandersLeast, max(wandersMost, (each-1)/(excess-1)-1)) // variance of the beta-binomial
	}
	return excess
}

// dispersion returns Pearson's chi-squared of the batches against one share, its degrees of freedom, and the frames. Where
// none or all were bad there are no degrees.
func (w *wire) dispersion() (chi, degrees, frames float64) {
	x := 0.0
	for i := range w.batches {
		bx, bn := w.batches[i].spoilt()
		x, frames = x+bx, frames+bn
	}
	p := x / frames
	if !(p > 0 && p < 1) {
		return 0, 0, frames
	}
	for i := range w.batches {
		bx, bn := w.batches[i].spoilt()
		if bn > 0 {
			chi += (bx - bn*p) * (bx - bn*p) / (bn * p * (1 - p))
			degrees++
		}
	}
	return chi, degrees - 1, frames
}

// unlike are by how much sound cables of one ring may differ, as standard deviations of the logarithms of their shares
// (common practice, no source).
var unlike = []float64{0.25, 0.5, 0.9}

// shares weighs which shares sound cables of this ring may have, whatever their middle and however unlike they are. Each
// cable is either a sound one, or, seldom, one that may have any share: so a bad one cannot pull the middle far.
func (n *norm) shares(wires []*wire, excess float64) {
	var grid []float64
	for s := leastBad; s < mostBad; s *= gridStep {
		grid = append(grid, s)
	}
	fits := make([][]float64, len(wires)) // of each cable with each share
	for i, w := range wires {
		x, all := w.calmest()
		fits[i] = fit(x/excess, all/excess, grid)
	}
	var bells [][]float64
	var logs, middles []float64
	whole := math.Inf(-1)
	for k := 0; grid[k] < mostGood; k++ {
		middle := grid[k]
		for _, sd := range unlike {
			shares, log := bell(middle, sd, grid), -middle/usualGood
			for _, f := range fits {
				log += math.Log((1-oddOnes)*dot(shares, f) + oddOnes*total(f)/float64(len(f)))
			}
			bells, logs, middles = append(bells, shares), append(logs, log), append(middles, math.Log(middle))
			whole = logAdd(whole, log)
		}
	}
	weights, middle := make([]float64, len(grid)), 0.0
	for i, shares := range bells {
		p := math.Exp(logs[i] - whole)
		middle += p * middles[i]
		for k, s := range shares {
			weights[k] += p * s
		}
	}
	n.usual = math.Exp(middle)
	n.keep(grid, weights)
}

// keep keeps the shares that are no longer negligible as what a sound cable may have.
func (n *norm) keep(grid, weights []float64) {
	const negligible = 1e-3
	for k, w := range weights {
		if w >= negligible {
			n.good = append(n.good, tone{grid[k], n.wanders, w})
		}
	}
}

// fit returns the likelihood of x bad ones of n with each share, the best being 1.
func fit(x, n float64, grid []float64) []float64 {
	f := make([]float64, len(grid))
	for k, p := range grid {
		f[k] = x*math.Log(p) + (n-x)*math.Log1p(-p)
	}
	best := slices.Max(f)
	for k := range f {
		f[k] = math.Exp(f[k] - best)
	}
	return f
}

// bell returns weights of a grid of shares about a middle, for those that a sound cable may have; they add up to one.
func bell(middle, sd float64, grid []float64) []float64 {
	w := make([]float64, len(grid))
	sum := 0.0
	for k, p := range grid {
		if p >= mostGood {
			break
		}
		z := math.Log(p/middle) / sd
		w[k] = math.Exp(-z * z / 2)
		sum += w[k]
	}
	for k := range w {
		w[k] /= sum
	}
	return w
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}
