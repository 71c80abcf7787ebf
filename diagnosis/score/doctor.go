package score

import (
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// A doctor asks the diagnosis at certain times what it thinks.
type doctor struct {
	story *Story
	ring  *diagnosis.Ring
	said  []opinion
	asked int             // next of the times
	calls int             // since the fault, at the last visit
	knows *diagnosis.Ring // is told of the story's swap; nil: there is none
	next  time.Duration   // when it is asked about the swap next; 0: never
}

// An opinion is a diagnosis with when it was asked for.
type opinion struct {
	when      string
	after     time.Duration
	diagnosis diagnosis.Diagnosis
}

// times are when the diagnosis is asked after a fault, besides after each of the first calls and at the end.
var times = []time.Duration{time.Minute, 3 * time.Minute, 7 * time.Minute, 15 * time.Minute}

func newDoctor(s *Story, f *fleet.Fleet) *doctor {
	d := &doctor{story: s, ring: diagnosis.New(&f.Sites[0].Rings[0], f.Periods)}
	if s.Swap > 0 {
		d.knows, d.next = diagnosis.New(&f.Sites[0].Rings[0], f.Periods), s.Swap-s.Hands-s.Period
		d.knows.Note(s.note())
	}
	return d
}

func (d *doctor) put(f *fleet.Frame) {
	if d.knows == nil || d.ring != d.knows {
		d.ring.Put(f)
	}
	if d.knows != nil {
		d.knows.Put(f)
	}
}

// visitSwap asks about the swap: before it, soon after it, and when the answer was said to be known.
func (d *doctor) visitSwap(now time.Duration) {
	if d.next == 0 || now < d.next {
		return
	}
	switch at := d.story.Swap; {
	case d.ring != d.knows:
		d.see(beforeSwap, now)
		d.ring, d.next = d.knows, at+5*time.Minute
	case d.next == at+5*time.Minute:
		d.see(soonAfter, now)
		d.next = 0
		if t := d.said[len(d.said)-1].diagnosis.Tested; t != nil && t.Verdict == diagnosis.NotYet && t.Wait > 0 {
			d.next = now + t.Wait
		}
	default:
		d.see(whenSaid, now)
		d.next = 0
	}
}

func (d *doctor) visit(now time.Duration) {
	d.visitSwap(now)
	at := d.story.At
	if d.asked < len(times) && now >= at+times[d.asked] {
		d.see(times[d.asked].String(), now)
		d.asked++
	}
	if d.calls >= 3 {
		return
	}
	calls := 0
	for _, c := range d.ring.Calls() {
		if c.From.After(beginning.Add(at)) && (len(c.Missing) > 0 || len(c.Steps) > 1) {
			calls++
		}
	}
	if calls > d.calls {
		d.calls = calls
		d.see([]string{"", "1 call", "2 calls", "3 calls"}[min(calls, 3)], now)
	}
}

func (d *doctor) see(when string, now time.Duration) {
	d.said = append(d.said, opinion{when, now - d.story.At, d.ring.Diagnose()})
}

// right reports whether a suspect is what is wrong in the story.
func (s *Story) right(x *diagnosis.Suspect) bool {
	cut := x.What == diagnosis.BadCable && x.Link == s.Cable(s.Link)
	apart := x.What == diagnosis.NotTakingPart && x.Unit == s.Controller(s.Unit)
	switch s.Fault {
	case Cut, Noisy, Bursts, TripStops, JackFails, CableSwaps:
		return cut
	case TwoCuts:
		return cut || x.What == diagnosis.BadCable && x.Link == s.Cable(s.Other)
	case Apart, TripStays:
		return apart
	case CutApart:
		return cut || apart
	case Dead:
		return x.What == diagnosis.DeadUnit && x.Unit == s.Controller(s.Unit)
	}
	return false
}

// opinions counts what the diagnosis said of a story.
func (c *scorer) opinions(w *watched) {
	s := w.story
	for i := range w.opinions {
		o := &w.opinions[i]
		first := len(o.diagnosis.Suspects) > 0 && s.right(&o.diagnosis.Suspects[0])
		c.reliability(s, o)
		switch o.when {
		case "end":
			if s.Fault == Healthy || s.Fault == Unloaded || s.Fault == TripSlow {
				first = o.diagnosis.Sound > 0.5
			}
			c.fault(s).Count(first, s)
			if s.Map.Counts() && (s.Fault == Cut || s.Fault == Noisy || s.Fault == Bursts) {
				c.cableCounted.Count(first, s)
			}
		case "3 calls":
			c.afterCalls(s, o)
		}
	}
}

// afterCalls counts what was said after three calls.
func (c *scorer) afterCalls(s *Story, o *opinion) {
	var top diagnosis.What
	if len(o.diagnosis.Suspects) > 0 {
		top = o.diagnosis.Suspects[0].What
	}
	switch {
	case s.Fault == Cut && s.Map == Neither:
		among := false
		for i := range min(2, len(o.diagnosis.Suspects)) {
			among = among || s.right(&o.diagnosis.Suspects[i])
		}
		c.cableCalled.Count(among, s)
		c.cableTold.Count(top == diagnosis.BadCable, s)
	case s.Fault == Apart:
		c.unitTold.Count(top == diagnosis.NotTakingPart, s)
	}
}

func (c *scorer) reliability(s *Story, o *opinion) {
	for i := range o.diagnosis.Suspects {
		x := &o.diagnosis.Suspects[i]
		d := &c.Reliable[min(9, int(10*x.Probability))]
		d.Given++
		d.Said += x.Probability
		if s.right(x) {
			d.Right++
		}
		if x.Probability >= 0.7 && x.Probability < 0.9 {
			c.calibrated.Count(s.right(x), s)
		}
	}
}

// fault returns the bar of the story's fault and map.
func (c *scorer) fault(s *Story) *Bar {
	name := s.Fault.String() + ", " + [...]string{"counters", "counters", "flag", "neither"}[s.Map]
	for _, b := range c.Faults {
		if b.Name == name {
			return b
		}
	}
	b := &Bar{Name: name, Unit: "%"}
	c.Faults = append(c.Faults, b)
	return b
}
