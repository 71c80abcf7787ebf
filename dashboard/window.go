package dashboard

import (
	"time"

	"ringwarden/fleet"
)

// windowLength is over how many polls a cable's frames are counted.
const windowLength = 20

// A window counts what a controller received from its upstream neighbour in its last polls.
type window struct {
	steps     [windowLength]linkStep // a circle
	next      int
	filled    int
	at        time.Time // of the last counters
	good, bad uint64    // the last counters
}

type linkStep struct {
	from, to  time.Time
	good, bad float64
}

// put takes a frame that may have link counters.
func (w *window) put(f *fleet.Frame) {
	good, known := f.Value(fleet.LinkGood)
	if !known {
		return
	}
	bad, _ := f.Value(fleet.LinkBad)
	if !w.at.IsZero() {
		w.steps[w.next] = linkStep{
			w.at, f.At, grown(f.Layout, fleet.LinkGood, w.good, good.Raw), grown(f.Layout, fleet.LinkBad, w.bad, bad.Raw),
		}
		w.next = (w.next + 1) % windowLength
		w.filled = min(w.filled+1, windowLength)
	}
	w.at, w.good, w.bad = f.At, good.Raw, bad.Raw
}

// grown returns how much a counter grew. A drop of less than half its range is a restart, after which it counts from
// nothing; a larger one is a wrap.
func grown(l *fleet.Layout, q fleet.Quantity, before, after uint64) float64 {
	i, ok := l.Index(q)
	if !ok {
		return 0
	}
	if after >= before {
		return float64(after - before)
	}
	bits := l.Points[i].Bits
	if bits == 0 || bits > 63 || before-after < 1<<(bits-1) {
		return float64(after)
	}
	return float64(after + 1<<bits - before)
}

// sum returns the frames of the last polls and over how long they came; 0 for that if nothing is counted.
func (w *window) sum() (good, bad float64, over time.Duration) {
	for i := range w.filled {
		s := &w.steps[i]
		good, bad, over = good+s.good, bad+s.bad, over+s.to.Sub(s.from)
	}
	return good, bad, over
}

// last returns the frames between the last two polls.
func (w *window) last() (good, bad float64, ok bool) {
	if w.filled == 0 {
		return 0, 0, false
	}
	s := &w.steps[(w.next+windowLength-1)%windowLength]
	return s.good, s.bad, true
}
