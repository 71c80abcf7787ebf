package statistics

import (
	"math"
	"slices"
)

// Median returns the middle value, and not a number of none. It does not change xs.
func Median(xs []float64) float64 {
	if len(xs) == 0 {
		return math.NaN()
	}
	s := slices.Clone(xs)
	slices.Sort(s)
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}

// MAD returns the median distance from the median; times 1.4826 it estimates the standard deviation of normal values.
func MAD(xs []float64) float64 {
	m := Median(xs)
	d := make([]float64, len(xs))
	for i, x := range xs {
		d[i] = math.Abs(x - m)
	}
	return Median(d)
}

// TheilSen returns the median slope of all pairs with different x, and the median intercept with it (Theil 1950, Sen
// 1968). It is not a number without such a pair. Its time grows with the square of the length.
func TheilSen(x, y []float64) (slope, intercept float64) {
	var slopes []float64
	for i := range x {
		for j := range i {
			if x[i] != x[j] {
				slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
			}
		}
	}
	slope = Median(slopes)
	rest := make([]float64, len(x))
	for i := range x {
		rest[i] = y[i] - slope*x[i]
	}
	return slope, Median(rest)
}
