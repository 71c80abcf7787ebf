package statistics

import (
	"math"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson returns the score interval of x of n without continuity correction (Wilson 1927; method 3 of Newcombe, Stat.
// Med. 17:857, 1998). Without a trial it is all of 0 to 1.
func Wilson(x, n, z float64) Interval {
	if n <= 0 {
		return Interval{0, 1}
	}
	p := x / n
	middle := 2*n*p + z*z
	half := z * math.Sqrt(z*z+4*n*p*(1-p))
	i := Interval{(middle - half) / (2 * (n + z*z)), (middle + half) / (2 * (n + z*z))}
	if x == 0 {
		i.Low = 0
	}
	if x == n {
		i.High = 1
	}
	return i
}

// Difference returns x1/n1 - x2/n2 and its interval from the two Wilson intervals (method 10 of Newcombe, Stat. Med.
// 17:873, 1998). Both n must be positive.
func Difference(x1, n1, x2, n2, z float64) (float64, Interval) {
	p1, p2 := x1/n1, x2/n2
	w1, w2 := Wilson(x1, n1, z), Wilson(x2, n2, z)
	d := p1 - p2
	return d, Interval{
		d - math.Hypot(p1-w1.Low, w2.High-p2),
		d + math.Hypot(w1.High-p1, p2-w2.Low),
	}
}

// SameProportion returns Pearson's chi-squared, without correction, of groups with x[i] of n[i], and the chance of one
// at least as large if all had the same share. Where all or none succeeded there is no difference: 0 and 1.
func SameProportion(x, n []float64) (chi2, p float64) {
	var sx, sn float64
	for i := range x {
		sx += x[i]
		sn += n[i]
	}
	share := sx / sn
	if len(x) < 2 || !(share > 0 && share < 1) {
		return 0, 1
	}
	for i := range x {
		d := x[i] - n[i]*share
		chi2 += d * d / (n[i] * share * (1 - share))
	}
	return chi2, distuv.ChiSquared{K: float64(len(x) - 1)}.Survival(chi2)
}

// Fisher returns the exact chances for the table a, b / c, d with fixed margins: of a or less, of a or more, and of any
// table that is no likelier (the two-sided test of Fisher 1934).
func Fisher(a, b, c, d int) (less, greater, both float64) {
	row, column, total := a+b, a+c, a+b+c+d
	logOf := func(k int) float64 {
		return combin.LogGeneralizedBinomial(float64(row), float64(k)) +
			combin.LogGeneralizedBinomial(float64(total-row), float64(column-k)) -
			combin.LogGeneralizedBinomial(float64(total), float64(column))
	}
	seen := logOf(a)
	const sameAs = 1e-7 // relative, for tables as likely as the one seen
	for k := max(0, column-(total-row)); k <= min(row, column); k++ {
		l := logOf(k)
		p := math.Exp(l)
		if k <= a {
			less += p
		}
		if k >= a {
			greater += p
		}
		if l <= seen+sameAs {
			both += p
		}
	}
	return min(less, 1), min(greater, 1), min(both, 1)
}

// Garwood returns the exact 95 % interval of the mean of a Poisson count (Garwood 1936).
func Garwood(count float64) Interval {
	i := Interval{High: distuv.ChiSquared{K: 2*count + 2}.Quantile(0.975) / 2}
	if count > 0 {
		i.Low = distuv.ChiSquared{K: 2 * count}.Quantile(0.025) / 2
	}
	return i
}
