// Package statistics holds the tests and estimates that the diagnosis rests on: proportions and their differences,
// sequential tests, cumulative sums, ranks, change points and bursts.
//
// Each is checked against a published example, named beside the check. What gonum has is taken from there: the
// distributions, the correlation and the quantiles. Everything is pure; where chance is used, the caller gives the seed.
package statistics

import "gonum.org/v1/gonum/stat/distuv"

// An Interval is a range of plausible values, both ends included.
type Interval struct{ Low, High float64 }

// Z95 is the two-sided 95 % point of the normal distribution.
const Z95 = 1.959963984540054

// twoSided returns the chance that a standard normal variable is at least as far from nought as z.
func twoSided(z float64) float64 {
	if z < 0 {
		z = -z
	}
	return 2 * distuv.UnitNormal.Survival(z)
}
