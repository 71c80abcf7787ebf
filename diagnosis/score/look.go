package score

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// daemonTick is how often a daemon looks at what has come, at most; where polls are fast, twice a period.
const daemonTick = time.Second

// between answers the looks that are asked for between two polls. They draw from a generator of their own. As the daemon does
// it asks at once what is made of an answer, not a tick later.
func (w *world) between(at time.Duration, layout *fleet.Layout, to *Listener) {
	if to.Look == nil {
		return
	}
	f := fleet.Frame{Group: fleet.Fast, Took: 30 * time.Millisecond, Values: make([]fleet.Value, 16)}
	step := min(daemonTick, w.s.Period/2)
	for t := at; t < min(at+w.s.Period, w.s.Lasts); {
		units, more := to.Look(beginning.Add(t))
		if !more {
			return
		}
		if len(units) == 0 {
			t += step
			continue
		}
		w.reach(t)
		for _, i := range units {
			f.Controller, f.At = w.s.Controller(i), beginning.Add(t)
			if w.look(i, layout, &f) {
				to.Again(&f)
			}
		}
	}
}

// look writes what a unit answers between two polls, and reports whether it does.
func (w *world) look(i int, layout *fleet.Layout, f *fleet.Frame) bool {
	l, rng := &w.links[i], w.rng
	fine := l.fine
	l.fine = l.peek(w, w.sends(i, w.now), w.now)
	w.rng = w.apart
	w.answer(i, layout, f)
	w.rng, l.fine = rng, fine
	return f.Outcome == fleet.Answered
}

// sends reports whether frames come over the cable into a unit as far as its ends go.
func (w *world) sends(i int, at time.Duration) bool {
	n := len(w.units)
	from, to := &w.units[(i+n-1)%n], &w.units[i]
	return !from.dead && at >= from.down && at >= to.down
}

// peek returns whether the newest frame by an instant was good, without counting any. A flurry that the last poll saw may
// go on.
func (l *link) peek(w *world, sends bool, at time.Duration) bool {
	n := int(math.Floor((at-l.last).Seconds()/w.s.Every.Seconds() + l.phase))
	if n == 0 {
		return l.fine
	}
	if n == l.peeked {
		return l.peekedFine
	}
	came := l.last + time.Duration((float64(n)-l.phase)*float64(w.s.Every))
	l.peeked = n
	l.peekedFine = sends && n > l.flurry && l.carries(came, w.apart)
	return l.peekedFine
}

// settle makes the frame that a poll finds the same one that a look has found before, where none came in between.
func (l *link) settle(n int) {
	if n > 0 && n == l.peeked {
		l.fine = l.peekedFine
	}
	l.peeked = 0
}
