package alerts

import "math"

// A binomial is Page's cumulative sum of the log-likelihood ratio of two shares of bad frames (Wald 1947; the form of
// NIST/SEMATECH e-Handbook 6.2.6 with a floor at nought): each bad frame adds Bad, each good one adds Good, which is
// negative.
type binomial struct {
	bad, good float64
}

// between returns the test of a share p1 against p0, 0 < p0 < p1 < 1.
func between(p0, p1 float64) binomial {
	return binomial{bad: math.Log(p1 / p0), good: math.Log((1 - p1) / (1 - p0))}
}

// gain returns what n frames with x bad ones add.
func (b binomial) gain(x, n float64) float64 { return x*b.bad + (n-x)*b.good }

// step returns the score after a gain that is kept within limits, so that neither one burst nor one quiet stretch
// decides alone. The score stays between nought and ceiling.
func step(score, gain, least, most, ceiling float64) float64 {
	return min(max(score+min(max(gain, least), most), 0), ceiling)
}
