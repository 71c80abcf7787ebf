package diagnosis

import (
	"slices"
	"time"

	"ringwarden/diagnosis/statistics"
)

// order finds who started a call, how sure that is, and puts the steps in the order in which the call went. A starter is
// a follower whose upstream neighbour did not go first; where polls show several at the same instant, each of them that
// could have been the first counts alike.
func (r *Ring) order(c *Call) {
	weights, starts := make([]float64, len(r.units)), 0
	earliest := c.Steps[0].By
	for _, s := range c.Steps {
		if s.By.Before(earliest) {
			earliest = s.By
		}
	}
	total := 0.0
	for _, s := range c.Steps {
		i := r.index[s.Unit]
		if !r.begins(c, i) {
			continue
		}
		starts++
		if !s.After.Before(earliest) {
			continue // another one was certainly first
		}
		weights[i] = 1
		if up, ok := r.upstream(i); ok && c.part[up] == Followed && c.by[up].Equal(s.By) {
			weights[i] = 0.05 // its neighbour went in the same instant: more likely the neighbour told it
		}
		total += weights[i]
	}
	best := r.index[c.Steps[0].Unit]
	for i, w := range weights {
		if w > weights[best] {
			best = i
		}
	}
	c.Starter, c.Starts = r.units[best].c.ID, max(1, starts)
	if total > 0 {
		c.Sure = weights[best] / total
	}
	if c.Starts > 1 {
		c.Starts = r.certainStarts(c)
	}
	n := len(r.units)
	slices.SortStableFunc(c.Steps, func(a, b Step) int {
		if d := a.By.Compare(b.By); d != 0 {
			return d
		}
		return (r.index[a.Unit]-best+n)%n - (r.index[b.Unit]-best+n)%n
	})
}

// begins reports whether a follower may have started: its upstream neighbour did not certainly go before it.
func (r *Ring) begins(c *Call, i int) bool {
	up, ok := r.upstream(i)
	return !ok || c.part[up] != Followed || c.by[up].After(c.after[i])
}

// certainStarts counts the followers whose upstream neighbour certainly did not tell them.
func (r *Ring) certainStarts(c *Call) int {
	n := 0
	for i, p := range c.part {
		if up, ok := r.upstream(i); p == Followed && (!ok || c.part[up] == Remained || c.part[up] == Followed && !c.after[up].Before(c.by[i])) {
			n++
		}
	}
	return max(1, n)
}

// hopTimes are what calls said of the time for one hop: bounds for each, since polls see intervals.
type hopTimes struct {
	low, high []float64 // s, of the newest calls
}

const keptHops = 64

// learn takes bounds from the longest way that a call certainly went: from its starter to its last follower.
func (h *hopTimes) learn(r *Ring, c *Call) {
	if len(c.Steps) < 3 || c.Sure < 0.5 || c.Starts > 1 {
		return
	}
	n := len(r.units)
	start := r.index[c.Starter]
	far := 0
	for far+1 < n && c.part[(start+far+1)%n] == Followed && (!r.f.Open || start+far+1 < n) {
		far++
	}
	if far < 2 {
		return
	}
	end := (start + far) % n
	if c.after[start].IsZero() || c.after[end].IsZero() {
		return
	}
	low := max(0, c.after[end].Sub(c.by[start]).Seconds()/float64(far))
	high := c.by[end].Sub(c.after[start]).Seconds() / float64(far)
	if high <= 0 {
		return
	}
	if len(h.low) == keptHops {
		h.low, h.high = append(h.low[:0], h.low[1:]...), append(h.high[:0], h.high[1:]...)
	}
	h.low, h.high = append(h.low, low), append(h.high, high)
}

// longest returns the time that a hop is taken to last at most, once three calls were seen.
func (h *hopTimes) longest() (time.Duration, bool) {
	if len(h.high) < 3 {
		return 0, false
	}
	return time.Duration(1.3 * statistics.Median(h.high) * float64(time.Second)), true
}

// A HopTime is what the calls so far say of the time that a message takes from one unit to the next.
type HopTime struct {
	Low, High time.Duration // medians of the calls' bounds
	Calls     int           // that went far enough to say something; 0: nothing is known
}

// HopTime returns the learned time for one hop. It is the median over calls, so that a call that was held up once does not
// move it.
func (r *Ring) HopTime() HopTime {
	h := HopTime{Calls: len(r.hops.low)}
	if h.Calls > 0 {
		h.Low = time.Duration(statistics.Median(r.hops.low) * float64(time.Second))
		h.High = time.Duration(statistics.Median(r.hops.high) * float64(time.Second))
	}
	return h
}
