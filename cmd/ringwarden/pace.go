package main

import (
	"time"

	"ringwarden/fleet"
	"ringwarden/poller"
)

// A pace is a clock that runs faster than the machine's: the demo polls by the machine's clock what lives by another
// one, and everything after the poller goes by that. The zero value is the machine's own clock.
type pace struct {
	speed    float64   // seconds of this clock in one of the machine's; 0: this is the machine's clock
	from, to time.Time // when the machine's clock said from, this one said to
}

// of returns what this clock says when the machine's says t.
func (p pace) of(t time.Time) time.Time {
	if p.speed == 0 {
		return t
	}
	return p.to.Add(p.stretch(t.Sub(p.from)))
}

func (p pace) stretch(d time.Duration) time.Duration {
	if p.speed == 0 {
		return d
	}
	return time.Duration(float64(d) * p.speed)
}

// fleet returns the fleet with its periods in this clock's time.
func (p pace) fleet(f *fleet.Fleet) *fleet.Fleet {
	if p.speed == 0 {
		return f
	}
	c := *f
	c.Commit = p.stretch(f.Commit)
	c.Periods = fleet.Periods{Fast: p.stretch(f.Periods.Fast), Normal: p.stretch(f.Periods.Normal), Slow: p.stretch(f.Periods.Slow)}
	return &c
}

// sink returns a sink that hands frames on with this clock's instants.
func (p pace) sink(next poller.Sink) poller.Sink {
	if p.speed == 0 {
		return next
	}
	return pacedSink{p, next}
}

type pacedSink struct {
	pace pace
	next poller.Sink
}

// Put hands on a copy: the poller's frame stays as it is.
func (s pacedSink) Put(f *fleet.Frame) {
	c := *f
	c.At, c.Late, c.Took = s.pace.of(f.At), s.pace.stretch(f.Late), s.pace.stretch(f.Took)
	s.next.Put(&c)
}
