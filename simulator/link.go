package simulator

import (
	"math/rand/v2"
	"time"
)

// A link is the cable into one controller's in jack, with what that controller counts on it. Frames come about once
// a second; a few in a thousand arrive damaged on a healthy cable (common practice, no source).
type link struct {
	wired bool    // false at the first unit of an open ring and at a unit that is alone
	odd   float64 // share of damaged frames when nothing is wrong: 0.001 to 0.005
	// faults
	cut   bool
	noise float64       // share of damaged frames; 0: as odd
	burst time.Duration // mean length of an interruption; 0: none
	gap   time.Duration // mean time between two
	// state
	lost      bool // an interruption is under way: the bad state of Gilbert and Elliott's model
	good, bad uint64
	heard     time.Duration // instant of the last good frame
	fine      bool          // the last frame that was due arrived and was good
}

// missing is the share of an interruption's frames that do not arrive at all; the others arrive damaged.
const missing = 0.3

// frame lets the frame of this second pass. sending is false where the sender is dead.
func (l *link) frame(now time.Duration, sending bool, rng *rand.Rand) {
	if l.burst > 0 {
		l.turn(rng)
	}
	l.fine = false
	switch {
	case !sending || l.cut:
	case l.lost && rng.Float64() < missing:
	case l.lost || rng.Float64() < l.share():
		l.bad++
	default:
		l.good++
		l.heard, l.fine = now, true
	}
}

// turn is one second of the two-state chain: the mean stays are gap and burst.
func (l *link) turn(rng *rand.Rand) {
	mean := l.gap
	if l.lost {
		mean = l.burst
	}
	if rng.Float64()*mean.Seconds() < 1 {
		l.lost = !l.lost
	}
}

// share returns the share of damaged frames outside interruptions.
func (l *link) share() float64 {
	if l.noise > 0 {
		return l.noise
	}
	return l.odd
}

// carries reports whether a shared message gets through in one frame.
func (l *link) carries(rng *rand.Rand) bool {
	return l.wired && !l.cut && !l.lost && rng.Float64() >= l.share()
}
