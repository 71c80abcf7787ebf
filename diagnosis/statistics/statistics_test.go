package statistics_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"ringwarden/diagnosis/statistics"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, within)
	}
}

// Newcombe, Stat. Med. 17:857 (1998), table I, method 3.
func TestWilson(t *testing.T) {
	for _, c := range []struct{ x, n, low, high float64 }{
		{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718},
	} {
		i := statistics.Wilson(c.x, c.n, statistics.Z95)
		near(t, "lower", i.Low, c.low, 5e-5)
		near(t, "upper", i.High, c.high, 5e-5)
	}
	if i := statistics.Wilson(0, 0, statistics.Z95); i.Low != 0 || i.High != 1 {
		t.Errorf("without a trial: %v", i)
	}
}

// Newcombe, Stat. Med. 17:873 (1998), table II, method 10.
func TestDifference(t *testing.T) {
	for _, c := range []struct{ x1, n1, x2, n2, d, low, high float64 }{
		{56, 70, 48, 80, 0.2, 0.0524, 0.3339},
		{9, 10, 3, 10, 0.6, 0.1705, 0.8090},
		{6, 7, 2, 7, 0.5714, 0.0582, 0.8062},
		{5, 56, 0, 29, 0.0893, -0.0381, 0.1926},
		{0, 10, 0, 20, 0, -0.1611, 0.2775},
		{0, 10, 0, 10, 0, -0.2775, 0.2775},
		{10, 10, 0, 20, 1, 0.6791, 1},
		{10, 10, 0, 10, 1, 0.6075, 1},
	} {
		d, i := statistics.Difference(c.x1, c.n1, c.x2, c.n2, statistics.Z95)
		near(t, "difference", d, c.d, 5e-5)
		near(t, "lower", i.Low, c.low, 5e-5)
		near(t, "upper", i.High, c.high, 5e-5)
	}
}

// Fleiss (1981): 83/86, 90/93, 129/136, 70/82 gives 12.6004 at 3 degrees of freedom, p = 0.005585. The two groups are
// recomputed with R's prop.test without correction.
func TestSameProportion(t *testing.T) {
	chi2, p := statistics.SameProportion([]float64{83, 90, 129, 70}, []float64{86, 93, 136, 82})
	near(t, "chi-squared", chi2, 12.6004, 5e-5)
	near(t, "p", p, 0.005585, 5e-7)
	chi2, p = statistics.SameProportion([]float64{15, 25}, []float64{50, 50})
	near(t, "chi-squared", chi2, 4.1667, 5e-5)
	near(t, "p", p, 0.04123, 5e-6)
}

// The tea tasting of Agresti (1990, page 61) and the convictions of Fisher (1962), as in the help of R's fisher.test; the
// third table from memory, recomputed with R.
func TestFisher(t *testing.T) {
	_, greater, both := statistics.Fisher(3, 1, 1, 3)
	near(t, "tea, one-sided", greater, 17.0/70, 1e-12)
	near(t, "tea, two-sided", both, 34.0/70, 1e-12)
	_, greater, _ = statistics.Fisher(4, 0, 0, 4)
	near(t, "all cups right", greater, 1.0/70, 1e-12)
	less, _, _ := statistics.Fisher(2, 15, 10, 3)
	near(t, "convictions", less, 0.0004652, 5e-8)
	less, _, both = statistics.Fisher(1, 9, 11, 3)
	near(t, "two-sided", both, 0.0027594562, 5e-11)
	near(t, "one-sided", less, 0.0013797281, 5e-11)
}

// Garwood (1936), small counts from memory, recomputed with R's poisson.test.
func TestGarwood(t *testing.T) {
	for count, want := range map[float64][2]float64{0: {0, 3.688879}, 1: {0.025318, 5.571643}, 10: {4.795389, 18.390356}} {
		i := statistics.Garwood(count)
		near(t, "lower", i.Low, want[0], 1e-6)
		near(t, "upper", i.High, want[1], 1e-6)
	}
}

// NIST/SEMATECH e-Handbook 6.2.6: p1 = 0.01, p2 = 0.10, alpha = 0.05, beta = 0.10; at each number of trials the most
// failures with which the lot is accepted and the fewest with which it is rejected.
func TestSPRT(t *testing.T) {
	test := statistics.SPRT{P0: 0.01, P1: 0.10, Alpha: 0.05, Beta: 0.10}
	accept, reject := test.Bounds()
	near(t, "ln B", accept, -2.251292, 1e-6)
	near(t, "ln A", reject, 2.890372, 1e-6)
	for _, c := range []struct{ n, accept, reject float64 }{
		{2, -1, 2}, {20, -1, 3}, {24, 0, 3}, {46, 0, 4}, {49, 1, 4}, {71, 1, 5}, {74, 2, 5}, {96, 2, 6}, {100, 3, 6},
	} {
		most, fewest := -1.0, -1.0
		for x := range 101 {
			if test.Gain(float64(x), c.n) <= accept {
				most = float64(x)
			}
			if fewest < 0 && test.Gain(float64(x), c.n) >= reject {
				fewest = float64(x)
			}
		}
		if most != c.accept || fewest != c.reject {
			t.Errorf("after %g: accept %g, reject %g, want %g, %g", c.n, most, fewest, c.accept, c.reject)
		}
	}
}

var nistCUSUM = []float64{
	324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
	324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
}

var montgomery = []float64{
	9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
	9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
}

// NIST/SEMATECH e-Handbook 6.3.2.3 and Montgomery, Introduction to Statistical Quality Control, table 9.2.
func TestCUSUM(t *testing.T) {
	c := statistics.CUSUM{Target: 325, K: 0.3175}
	first := 0
	for i, x := range nistCUSUM {
		c.Add(x)
		if i == 7 {
			near(t, "low sum of group 8", c.Low, 0.715, 1e-9)
		}
		if i == 13 {
			near(t, "high sum of group 14", c.High, 4.94, 1e-9)
		}
		if first == 0 && c.High > 4.1959 {
			first = i + 1
		}
	}
	near(t, "high sum of group 20", c.High, 19.04, 0.005)
	if first != 14 {
		t.Errorf("first signal at group %d, want 14", first)
	}
	m, first := statistics.CUSUM{Target: 10, K: 0.5}, 0
	for i, x := range montgomery {
		if m.Add(x); first == 0 && m.High > 5 {
			first = i + 1
			near(t, "sum at the signal", m.High, 5.28, 1e-9)
			near(t, "values since nought", float64(m.Rising), 7, 0)
		}
	}
	if first != 29 {
		t.Errorf("first signal at %d, want 29", first)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.4; the time-varying limit recomputed for Montgomery's data.
func TestEWMA(t *testing.T) {
	e := statistics.EWMA{Lambda: 0.3, Value: 50}
	want := []float64{
		50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
		50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
	}
	for i, x := range []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1} {
		near(t, "average", e.Add(x), want[i], 0.005001)
	}
	near(t, "limit", e.Limit(2.0539, 3, 0), 2.588432, 1e-5)
	m := statistics.EWMA{Lambda: 0.1, Value: 10}
	for i, x := range montgomery {
		z := m.Add(x)
		if out := z-10 > m.Limit(1, 2.7, i+1); out != (i+1 >= 29) {
			t.Errorf("at %d: %.4f, signal %t", i+1, z, out)
		}
	}
}

// NIST/SEMATECH e-Handbook 7.3.5 for U; the chance with tie correction recomputed.
func TestMannWhitney(t *testing.T) {
	a := []float64{.55, .67, .43, .51, .48, .60, .71, .53, .44, .65, .75}
	b := []float64{.49, .68, .59, .72, .67, .75, .65, .77, .62, .48, .59}
	u, z, p := statistics.MannWhitney(a, b)
	near(t, "U", u, 40, 0)
	near(t, "z", z, -1.348, 0.001)
	near(t, "p", p, 0.17765, 5e-6)
}

// Hollander and Wolfe (1973), page 187, and the hours of television, as in the references of R's cor.test; the exact chance of
// the first is 0.0968.
func TestSpearman(t *testing.T) {
	x := []float64{44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1}
	y := []float64{2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8}
	near(t, "rho", statistics.Spearman(x, y), 0.6, 1e-12)
	p := statistics.PermutationP(x, y, 20000, 1)
	near(t, "permutation p", p, 0.0968, 4*math.Sqrt(0.0968*0.9032/20000))
	iq := []float64{106, 100, 86, 101, 99, 103, 97, 113, 112, 110}
	tv := []float64{7, 27, 2, 50, 28, 29, 20, 12, 6, 17}
	near(t, "rho", statistics.Spearman(iq, tv), -29.0/165, 1e-12)
	if r := statistics.Spearman([]float64{1, 1, 1}, []float64{1, 2, 3}); r != 0 {
		t.Errorf("of a constant: %g", r)
	}
}

// Holm (1979): the chances 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02 (as R's p.adjust does; from memory).
func TestHolm(t *testing.T) {
	for i, p := range statistics.Holm([]float64{0.01, 0.04, 0.03, 0.005}) {
		near(t, "adjusted", p, []float64{0.03, 0.06, 0.06, 0.02}[i], 1e-12)
	}
}

// The help of R's mad: 1..9 gives 2.
func TestRobust(t *testing.T) {
	near(t, "MAD", statistics.MAD([]float64{1, 2, 3, 4, 5, 6, 7, 8, 9}), 2, 0)
	near(t, "MAD", statistics.MAD([]float64{1, 2, 3, 5, 7, 8}), 2.5, 0)
	slope, intercept := statistics.TheilSen([]float64{0, 1, 2, 3, 4, 5}, []float64{1, 3, 5, 7, 900, 11})
	near(t, "slope past an outlier", slope, 2, 1e-12)
	near(t, "intercept", intercept, 1, 1e-12)
}

// Rainfall after cloud seeding in five years, Hollander and Wolfe (1999), example 9.1 (data from memory; the ten slopes worked out
// by hand): the median slope lies between -0.0575 and -0.055, and the median of what is left at year nought is that of the first.
func TestTheilSen(t *testing.T) {
	slope, intercept := statistics.TheilSen([]float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03})
	near(t, "slope", slope, -0.05625, 1e-12)
	near(t, "intercept", intercept, 1.31625, 1e-12)
}

var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
	831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
	781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
	744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// The annual flow of the Nile, 1871-1970 (R's data set): one shift after the 28th value, 1898, from a mean of 1097.75 to one of
// 849.9722 (Cobb, Biometrika 65:243, 1978; R's strucchange).
func TestNile(t *testing.T) {
	var sums [2]float64
	for i, x := range nile {
		if i < 28 {
			sums[0] += x
		} else {
			sums[1] += x
		}
	}
	near(t, "mean before", sums[0]/28, 1097.75, 1e-9)
	near(t, "mean after", sums[1]/72, 849.9722, 5e-5)
	c := statistics.MeanShift(nile)
	if c.After != 28 || c.Low < 24 || c.High > 32 || c.Gain < 20 {
		t.Errorf("MeanShift = %+v, want a change after 28", c)
	}
}

// The interval holds the true place about as often as it says.
func TestShareShiftCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	held := 0
	const runs = 400
	for range runs {
		at := 10 + rng.IntN(40)
		x, n := make([]float64, 60), make([]float64, 60)
		for i := range x {
			n[i] = 30
			p := 0.02
			if i >= at {
				p = 0.12
			}
			for range 30 {
				if rng.Float64() < p {
					x[i]++
				}
			}
		}
		if c := statistics.ShareShift(x, n); c.Low <= at && at <= c.High {
			held++
		}
	}
	if w := statistics.Wilson(float64(held), runs, 3); w.Low > 0.97 || w.High < 0.95 {
		t.Errorf("held in %d of %d", held, runs)
	}
}

// NTIA TM-23-565, the worked example of its repository: share of bad state 0.7, mean burst 3, error rate 0.6, h 0.55.
func TestBursts(t *testing.T) {
	b := statistics.Bursts{P: 1.0 / 6, R: 1.0 / 14, K: 0.05, H: 0.55}
	near(t, "in bad", b.InBad(), 0.7, 1e-12)
	near(t, "error rate", b.ErrorRate(), 0.6, 1e-12)
	near(t, "mean burst", b.MeanBurst(), 3, 1e-12)
	rng, bad := rand.New(rand.NewPCG(3, 3)), false
	errors := make([]bool, 200000)
	for i := range errors {
		if bad {
			bad = rng.Float64() >= 0.2
		} else {
			bad = rng.Float64() < 0.01
		}
		errors[i] = bad
	}
	fit, ok := statistics.FitBursts(errors)
	if !ok {
		t.Fatal("no fit")
	}
	near(t, "fitted burst", fit.MeanBurst(), 5, 0.25)
	near(t, "fitted error rate", fit.ErrorRate(), 0.047619, 0.003)
	if _, ok := statistics.FitBursts(make([]bool, 50)); ok {
		t.Error("fitted a line without an error")
	}
}
