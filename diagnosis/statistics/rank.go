package statistics

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Ranks returns the rank of each value, from 1; equal ones share the mean of theirs.
func Ranks(xs []float64) []float64 {
	order := make([]int, len(xs))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case xs[a] < xs[b]:
			return -1
		case xs[a] > xs[b]:
			return 1
		}
		return 0
	})
	ranks := make([]float64, len(xs))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && xs[order[j]] == xs[order[i]] {
			j++
		}
		for _, o := range order[i:j] {
			ranks[o] = float64(i+j+1) / 2
		}
		i = j
	}
	return ranks
}

// Spearman returns the rank correlation of two series of the same length, and nought where one of them never moves.
func Spearman(x, y []float64) float64 {
	r := stat.Correlation(Ranks(x), Ranks(y), nil)
	if math.IsNaN(r) {
		return 0
	}
	return r
}

// PermutationP returns the chance that a rank correlation is at least as far from nought as that of x and y if neither
// had to do with the other, from so many shuffles of a seeded generator. The series as it is counts as one shuffle, so
// the chance is never nought.
func PermutationP(x, y []float64, shuffles int, seed uint64) float64 {
	rx, ry := Ranks(x), Ranks(y)
	seen := math.Abs(correlation(rx, ry))
	rng := rand.New(rand.NewPCG(seed, uint64(len(x))))
	asFar := 1
	for range shuffles {
		rng.Shuffle(len(ry), func(i, j int) { ry[i], ry[j] = ry[j], ry[i] })
		if math.Abs(correlation(rx, ry)) >= seen-1e-12 {
			asFar++
		}
	}
	return float64(asFar) / float64(shuffles+1)
}

func correlation(x, y []float64) float64 {
	if r := stat.Correlation(x, y, nil); !math.IsNaN(r) {
		return r
	}
	return 0
}

// MannWhitney returns U of the first sample and the two-sided chance by the normal approximation with tie correction and
// without continuity correction.
func MannWhitney(a, b []float64) (u, z, p float64) {
	na, nb := float64(len(a)), float64(len(b))
	ranks := Ranks(slices.Concat(a, b))
	for _, r := range ranks[:len(a)] {
		u += r
	}
	u -= na * (na + 1) / 2
	slices.Sort(ranks)
	n, ties := na+nb, 0.0
	for i := 0; i < len(ranks); {
		j := i
		for j < len(ranks) && ranks[j] == ranks[i] {
			j++
		}
		t := float64(j - i)
		ties += t*t*t - t
		i = j
	}
	variance := na * nb / 12 * (n + 1 - ties/(n*(n-1)))
	if !(variance > 0) {
		return u, 0, 1
	}
	z = (u - na*nb/2) / math.Sqrt(variance)
	return u, z, twoSided(z)
}

// Holm returns the chances adjusted for how many were looked at (Holm, Scand. J. Stat. 6:65, 1979), in the order given.
func Holm(ps []float64) []float64 {
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if ps[a] < ps[b] {
			return -1
		}
		if ps[a] > ps[b] {
			return 1
		}
		return 0
	})
	adjusted := make([]float64, len(ps))
	least := 0.0
	for i, o := range order {
		least = max(least, min(1, float64(len(ps)-i)*ps[o]))
		adjusted[o] = least
	}
	return adjusted
}
