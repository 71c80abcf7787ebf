package alerts

import (
	"math"
	"testing"
)

// The test's weights and decisions against Wald's sequential test as NIST/SEMATECH e-Handbook 6.2.6 gives it, for
// p1 = 0.01, p2 = 0.10, alpha = 0.05, beta = 0.10: what each frame adds, and from how many bad ones of n on it rejects
// or accepts. A wrong weight would call good cables bad.
func TestBinomialAgainstWald(t *testing.T) {
	b := between(0.01, 0.10)
	if math.Abs(b.bad-2.302585) > 1e-6 || math.Abs(b.good+0.0953102) > 1e-7 {
		t.Fatalf("between(0.01, 0.10) = %+v, want 2.302585 and -0.0953102", b)
	}
	lnA, lnB := math.Log((1-0.10)/0.05), math.Log(0.10/(1-0.05)) // 2.890372, -2.251292
	rows := []struct{ n, accept, reject int }{
		{1, -1, 2},
		{2, -1, 2},
		{19, -1, 2},
		{20, -1, 3},
		{23, -1, 3},
		{24, 0, 3},
		{45, 0, 3},
		{46, 0, 4},
		{48, 0, 4},
		{49, 1, 4},
		{70, 1, 4},
		{71, 1, 5},
		{73, 1, 5},
		{74, 2, 5},
		{95, 2, 5},
		{96, 2, 6},
		{99, 2, 6},
		{100, 3, 6},
	}
	for _, r := range rows {
		accept, reject := -1, r.n+1
		for x := r.n; x >= 0; x-- {
			if b.gain(float64(x), float64(r.n)) >= lnA {
				reject = x
			}
		}
		for x := 0; x <= r.n; x++ {
			if b.gain(float64(x), float64(r.n)) <= lnB {
				accept = x
			}
		}
		if r.n > 1 && reject != r.reject || accept != r.accept {
			t.Errorf("n = %d: accept with at most %d, reject with at least %d; want %d and %d", r.n, accept, reject, r.accept, r.reject)
		}
	}
}

// The recursion with its floor against the tabular CUSUM of NIST/SEMATECH e-Handbook 6.3.2.3 (target 325, k = 0.3175,
// h = 4.1959, data to three decimals), upper and lower sums; first signal at group 14.
func TestStepAgainstTabularCusum(t *testing.T) {
	data := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
	}
	high := []float64{0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04}
	low := []float64{0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	inf := math.Inf(1)
	hi, lo, first := 0.0, 0.0, 0
	for i, x := range data {
		hi = step(hi, x-325-0.3175, -inf, inf, inf)
		lo = step(lo, 325-0.3175-x, -inf, inf, inf)
		// The page rounds 0.7150 and 0.0325 either way; half a unit and a little more.
		if math.Abs(hi-high[i]) > 0.0051 || math.Abs(lo-low[i]) > 0.0051 {
			t.Errorf("group %d: %.4f and %.4f, want %.2f and %.2f", i+1, hi, lo, high[i], low[i])
		}
		if first == 0 && hi > 4.1959 {
			first = i + 1
		}
	}
	if first != 14 {
		t.Errorf("first signal at group %d, want 14", first)
	}
}

// One burst must not be a trend, and one quiet stretch must not wash a trend away.
func TestStepKeepsGainsWithinLimits(t *testing.T) {
	if got := step(0, 100, -1, 5, 21); got != 5 {
		t.Errorf("a burst adds %g, want 5", got)
	}
	if got := step(10, -100, -1, 5, 21); got != 9 {
		t.Errorf("after a quiet stretch: %g, want 9", got)
	}
	if got := step(20, 5, -1, 5, 21); got != 21 {
		t.Errorf("the score grows to %g, want 21 at most", got)
	}
}

// A 16-bit counter passes 65535 every 18 hours at one frame a second: neither that nor a restart is a flood of frames.
func TestCounter(t *testing.T) {
	tests := []struct {
		name       string
		bits       uint8
		last, next uint64
		want       float64
	}{
		{"grows", 16, 100, 110, 10},
		{"stands still", 16, 100, 100, 0},
		{"wraps at 16 bits", 16, 65530, 4, 10},
		{"wraps at 32 bits", 32, 1<<32 - 1, 9, 10},
		{"wraps at 64 bits", 64, math.MaxUint64, 9, 10},
		{"a reset, and what came since", 16, 40000, 7, 7},
		{"a reset to something that cannot have come since", 16, 40000, 30000, 0},
		{"a 32-bit counter that fell by one was reset", 32, 90000, 89999, 0},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := plainPoint(test.bits)
			var c counter
			if got := c.step(countedOf(p, test.last), 1000); got != 0 {
				t.Fatalf("the first reading is an increase of %g", got)
			}
			if got := c.step(countedOf(p, test.next), 1000); got != test.want {
				t.Errorf("from %d to %d: %g, want %g", test.last, test.next, got, test.want)
			}
		})
	}
}
