package statistics

import "math"

// A SPRT is Wald's sequential test of a share P1 against P0 (NIST/SEMATECH e-Handbook 6.2.6): Alpha is the chance to
// find P1 where P0 holds, Beta the chance to find P0 where P1 holds.
type SPRT struct{ P0, P1, Alpha, Beta float64 }

// Gain returns the logarithm of the likelihood ratio of x failures in n.
func (t SPRT) Gain(x, n float64) float64 {
	return x*math.Log(t.P1/t.P0) + (n-x)*math.Log((1-t.P1)/(1-t.P0))
}

// Bounds returns at or below which gain P0 is accepted, and at or above which P1 is.
func (t SPRT) Bounds() (accept, reject float64) {
	return math.Log(t.Beta / (1 - t.Alpha)), math.Log((1 - t.Beta) / t.Alpha)
}

// A CUSUM is the tabular cumulative sum (NIST/SEMATECH e-Handbook 6.3.2.3): K is the slack, in the units of the values.
type CUSUM struct {
	Target, K float64
	High, Low float64 // the sums so far
	Rising    int     // values since High was last nought
	Falling   int     // values since Low was last nought
}

// Add files one value.
func (c *CUSUM) Add(x float64) {
	c.High = max(0, c.High+x-c.Target-c.K)
	c.Low = max(0, c.Low+c.Target-c.K-x)
	c.Rising, c.Falling = c.Rising+1, c.Falling+1
	if c.High == 0 {
		c.Rising = 0
	}
	if c.Low == 0 {
		c.Falling = 0
	}
}

// An EWMA is an exponentially weighted moving average (NIST/SEMATECH e-Handbook 6.3.2.4). Value begins at the target.
type EWMA struct{ Lambda, Value float64 }

// Add files one value and returns the new average.
func (e *EWMA) Add(x float64) float64 {
	e.Value = e.Lambda*x + (1-e.Lambda)*e.Value
	return e.Value
}

// Limit returns how far from the target the average may be after i values (0: in the long run), for a standard
// deviation and a number of sigmas.
func (e *EWMA) Limit(sigma, sigmas float64, i int) float64 {
	v := e.Lambda / (2 - e.Lambda)
	if i > 0 {
		v *= 1 - math.Pow(1-e.Lambda, float64(2*i))
	}
	return sigmas * sigma * math.Sqrt(v)
}
