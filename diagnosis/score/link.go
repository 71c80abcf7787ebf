package score

import (
	"math"
	"math/rand/v2"
	"time"
)

// A link is the way into a unit, and what that unit counts on it.
type link struct {
	cable     health
	jacks     health        // of the two at its ends, which stay where they are
	out       bool          // somebody has the cable in hands
	good, bad uint64        // frames
	fine      bool          // the last frame was good
	last      time.Duration // until then frames are counted
	phase     float64       // of a frame under way

	flurry     int  // so many frames after the last poll are of the flurry that it saw
	peeked     int  // the newest frame that a look found, counted from the last poll; 0: none
	peekedFine bool // it was good
}

// A health is how a cable or a pair of jacks does.
type health struct {
	share float64 // of damaged frames
	cut   bool
	turns []time.Duration // it is lost between turn 2k and turn 2k+1
}

func newLink(w *world, _ int) link {
	return link{
		cable: health{share: min(0.03, w.s.Base*(0.5+w.rng.Float64()))}, fine: true, phase: w.rng.Float64(),
		good: w.rng.Uint64N(1 << 33), bad: w.rng.Uint64N(1 << 16),
	}
}

// begin plans when it fails and returns, from now to the end.
func (h *health) begin(w *world) {
	at := w.now
	for at < w.s.Lasts+w.s.Day {
		at += time.Duration(w.rng.ExpFloat64() * float64(w.s.Gap))
		h.turns = append(h.turns, at)
		at += time.Duration(w.rng.ExpFloat64() * float64(w.s.Burst))
		h.turns = append(h.turns, at)
	}
}

// lost reports whether it fails at an instant.
func (h *health) lost(at time.Duration) bool {
	i := 0
	for i < len(h.turns) && h.turns[i] <= at {
		i++
	}
	return i%2 == 1
}

// dead reports whether nothing comes through.
func (l *link) dead() bool { return l.cable.cut || l.jacks.cut || l.out }

// lost reports whether the link fails at an instant.
func (l *link) lost(at time.Duration) bool { return l.cable.lost(at) || l.jacks.lost(at) }

// share is of damaged frames.
func (l *link) share() float64 { return l.cable.share + l.jacks.share - l.cable.share*l.jacks.share }

func (l *link) carries(at time.Duration, rng *rand.Rand) bool {
	return !l.dead() && !l.lost(at) && rng.Float64() >= l.share()
}

// flow counts what came up to now. sends says whether the sender was there.
func (l *link) flow(w *world, sends bool, until time.Duration) {
	due := (until-l.last).Seconds()/w.s.Every.Seconds() + l.phase
	n := math.Floor(due)
	l.phase = due - n
	from := l.last
	l.last, l.flurry = until, 0
	defer l.settle(int(n))
	switch {
	case l.dead() || !sends:
		if n > 0 {
			l.fine = false
		}
		return
	case len(l.cable.turns)+len(l.jacks.turns) > 0:
		l.each(w, from, int(n))
		return
	}
	bad := damaged(w.rng, int(n), l.share())
	flurry := w.s.Flurry && w.rng.Float64() < (until-from).Hours()/8 // every eight hours or so
	if flurry {
		bad = min(int(n), bad+2+w.rng.IntN(8))
	}
	l.bad += uint64(bad)
	l.good += uint64(int(n) - bad)
	if n > 0 {
		l.fine = w.rng.Float64() >= float64(bad)/n
	}
	if flurry && bad > 0 && !l.fine { // it may not be over: its frames come one after the other
		l.flurry = w.apart.IntN(bad)
	}
}

// each counts frame by frame, on a link that fails now and then: then a third is not even seen.
func (l *link) each(w *world, from time.Duration, n int) {
	for i := range n {
		at := from + time.Duration(i)*w.s.Every
		switch lost := l.lost(at); {
		case lost && w.rng.IntN(3) == 0:
			l.fine = false
		case lost || w.rng.Float64() < l.share():
			l.bad++
			l.fine = false
		default:
			l.good++
			l.fine = true
		}
	}
}

// damaged draws how many of n frames are damaged, jumping from one to the next.
func damaged(rng *rand.Rand, n int, share float64) int {
	if share <= 0 || n == 0 {
		return 0
	}
	bad := 0
	for i := skip(rng, share); i < float64(n); i += 1 + skip(rng, share) {
		bad++
	}
	return bad
}

// skip draws how many good frames come before the next damaged one.
func skip(rng *rand.Rand, share float64) float64 {
	return math.Floor(math.Log(1-rng.Float64()) / math.Log(1-share))
}
