package statistics

import "math"

// A Change is where a series changed once: after its first After values. Low and High bound After with 95 %
// probability, given that it changed once and each place was as likely before.
type Change struct {
	After, Low, High int
	Gain             float64 // logarithm of the likelihood ratio of the best change against none
}

// MeanShift finds the likeliest single change of the mean of values with equal, unknown spread. Fewer than four values
// have none: the zero Change.
func MeanShift(xs []float64) Change {
	n := len(xs)
	if n < 4 {
		return Change{}
	}
	mean := 0.0
	for i, x := range xs {
		mean += (x - mean) / float64(i+1)
	}
	total, sum := 0.0, 0.0
	for _, x := range xs {
		total += (x - mean) * (x - mean)
	}
	logs := make([]float64, n-1) // of a change after i+1 values
	for i, x := range xs[:n-1] {
		sum += x - mean
		before, after := float64(i+1), float64(n-i-1)
		within := total - sum*sum/before - sum*sum/after
		logs[i] = -float64(n) / 2 * math.Log(max(within, 1e-300)/max(total, 1e-300))
	}
	return placed(logs)
}

// ShareShift finds the likeliest single change of a share, from batches with x[i] of n[i].
func ShareShift(x, n []float64) Change {
	if len(x) < 4 {
		return Change{}
	}
	var sx, sn float64
	for i := range x {
		sx += x[i]
		sn += n[i]
	}
	whole := shareLog(sx, sn)
	logs := make([]float64, len(x)-1)
	var bx, bn float64
	for i := range logs {
		bx += x[i]
		bn += n[i]
		logs[i] = shareLog(bx, bn) + shareLog(sx-bx, sn-bn) - whole
	}
	return placed(logs)
}

// shareLog is the logarithm of the largest likelihood of x of n.
func shareLog(x, n float64) float64 {
	if x <= 0 || x >= n {
		return 0
	}
	return x*math.Log(x/n) + (n-x)*math.Log(1-x/n)
}

// placed picks the best place and the shortest run of places around it that holds 95 % of the probability.
func placed(logs []float64) Change {
	best := 0
	for i, l := range logs {
		if l > logs[best] {
			best = i
		}
	}
	weights, total := make([]float64, len(logs)), 0.0
	for i, l := range logs {
		weights[i] = math.Exp(l - logs[best])
		total += weights[i]
	}
	low, high, held := best, best, weights[best]
	for held < 0.95*total {
		left, right := -1.0, -1.0
		if low > 0 {
			left = weights[low-1]
		}
		if high < len(weights)-1 {
			right = weights[high+1]
		}
		if left >= right && left >= 0 {
			low--
			held += left
		} else if right >= 0 {
			high++
			held += right
		} else {
			break
		}
	}
	return Change{After: best + 1, Low: low + 1, High: high + 1, Gain: logs[best]}
}
