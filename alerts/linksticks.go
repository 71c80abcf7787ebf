package alerts

import (
	"math"
	"slices"
	"time"
)

// A stickiness is how long one frame keeps a sampled flag as it is. A flag that is asked for more often than frames come
// says the same again and again, which is no new evidence.
type stickiness struct {
	runs [16]time.Duration // how long the newest bad runs of the ring's flags lasted, by polls
	next int               // how many were learned

	// Of second looks, the first after a bad sample, older ones weighing less.
	looks, changes float64 // how many there were, and how many of them found the flag good again
	waits          float64 // s between sample and look, all together
}

// seldomest is how far apart frames are taken to be at most, until bad runs have shown it (common practice, no source).
const seldomest = 20 * time.Second

// learn files a bad run of so many polls.
func (s *stickiness) learn(polls int, period time.Duration) {
	s.runs[s.next%len(s.runs)] = time.Duration(polls) * period
	s.next++
	if polls == 1 && s.slow() { // perhaps not: in time a look finds out
		s.looks, s.waits, s.changes = s.looks*lookMemory, s.waits*lookMemory, s.changes*lookMemory
	}
}

// lookMemory is how much of what second looks showed stays at each of them.
const lookMemory = 0.97

// look files what a second look found so long after a bad sample: the first one alone, since those that follow are of
// frames of which it is known that they are long.
func (s *stickiness) look(after time.Duration, changed bool) {
	s.looks, s.waits = s.looks*lookMemory+1, s.waits*lookMemory+after.Seconds()
	s.changes *= lookMemory
	if changed {
		s.changes++
	}
}

// seen returns how far apart frames are by what second looks found, but for those that are nearer than the looks. A
// sample falls anywhere into the time of its frame, so a look finds the next frame with a chance of wait over distance: the
// distance is the wait over the share of those that did, for which its lower limit is taken (Wilson 1927, 80 % one-sided).
// False: not known, or too far for looks so soon to tell.
func (s *stickiness) seen() (time.Duration, bool) {
	if s.changes < 0.8 || s.slow() {
		return 0, false
	}
	const z = 0.84
	n := s.looks
	share := s.changes / n
	low := (share + z*z/(2*n) - z*math.Sqrt(share*(1-share)/n+z*z/(4*n*n))) / (1 + z*z/n)
	return time.Duration(s.waits / n / low * float64(time.Second)), true
}

// slow reports whether nearly all second looks came before the next frame.
func (s *stickiness) slow() bool { return s.looks > 8 && s.changes < s.looks/5 }

// apart returns how far apart frames are, by what looks and polls tell, and whether it is looks that told.
func (s *stickiness) apart() (apart time.Duration, looked bool) {
	runs := s.byRuns()
	if d, ok := s.seen(); ok && d < runs {
		return d, true
	}
	return runs, false
}

// byRuns returns how far apart frames are by the bad runs. None lasts shorter than its frame does: so the short ones tell,
// and the longest while there are but one or two.
func (s *stickiness) byRuns() time.Duration {
	n := min(s.next, len(s.runs))
	if n == 0 {
		return seldomest
	}
	sorted := s.runs
	slices.Sort(sorted[:n])
	if n < 3 {
		return min(sorted[n-1], seldomest)
	}
	return min(sorted[n/5], seldomest)
}
