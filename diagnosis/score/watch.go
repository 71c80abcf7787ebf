package score

import (
	"slices"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// A raised alarm is one that was raised, with how long after the story's beginning.
type raised struct {
	kind    fleet.Kind
	subject fleet.Subject
	after   time.Duration
}

// A watched story is what the alarm engine made of it.
type watched struct {
	story    *Story
	raised   []raised
	frames   int
	looks    int // between the polls
	lasted   time.Duration
	deadline time.Duration // by when a trip that was not obeyed must be told; 0: no trip was seen
	disobey  []int         // units that still charge then
	opinions []opinion
	truth    Truth
}

// watch plays a story to the alarm engine and, unless it is for the alarms alone as one of true days is, to the
// diagnosis.
func watch(s *Story, alarms bool) *watched {
	f := s.Fleet()
	e := alerts.New(f)
	w := &watched{story: s}
	var d *doctor
	if !alarms && s.Plant == nil {
		d = newDoctor(s, f)
	}
	unit := 0
	advance := func(now time.Time) {
		for _, c := range e.Advance(now) {
			if a := &c.Alarm; a.State == fleet.Unacknowledged && c.From != fleet.Acknowledged {
				w.raised = append(w.raised, raised{a.Kind, a.Subject, now.Sub(beginning)})
			}
		}
	}
	put := func(f *fleet.Frame) {
		e.Put(f)
		if d != nil {
			d.put(f)
		}
	}
	w.truth = s.Play(Listener{
		Put: func(f *fleet.Frame) {
			put(f)
			w.frames++
			w.note(f, unit)
			unit = (unit + 1) % s.Units
		},
		Tick: func(now time.Time) bool {
			advance(now)
			w.lasted = now.Sub(beginning)
			if d != nil {
				d.visit(w.lasted)
			}
			return true
		},
		Look: func(now time.Time) (units []int, more bool) {
			if now.Sub(beginning) > w.lasted {
				advance(now)
			}
			for _, l := range e.Looks(now) {
				units = append(units, slices.IndexFunc(f.Sites[0].Rings[0].Controllers, func(c fleet.Controller) bool { return c.ID == l.Controller }))
			}
			return units, e.Doubting()
		},
		Again: func(f *fleet.Frame) {
			put(f)
			w.looks++
		},
	})
	if d != nil {
		d.see("end", w.lasted)
		w.opinions = d.said
	}
	return w
}

// note files when the trip was seen first, and who still charged when it had to be told: after the time that it may
// travel, and two polls.
func (w *watched) note(f *fleet.Frame, unit int) {
	s := w.story
	if s.Fault != TripStops && s.Fault != TripStays || f.Outcome != fleet.Answered {
		return
	}
	after := f.At.Sub(beginning)
	if n, ok := f.Number(fleet.Faults); ok && n != 0 && w.deadline == 0 {
		w.deadline = after + time.Duration(s.Units-1)*s.toldHop() + 2*s.Period
	}
	if w.deadline == 0 || after < w.deadline || after >= w.deadline+s.Period {
		return
	}
	if st, ok := f.Stage(); ok && st >= fleet.Bulk && st <= fleet.Equalize && unit != 0 && !s.Turns(unit) {
		w.disobey = append(w.disobey, unit)
	}
}

// toldHop is the longest time of a hop that the fleet file tells, or what people take it to be.
func (s *Story) toldHop() time.Duration {
	if s.Told {
		return s.Hop
	}
	return 2 * time.Second
}

// first returns how long after the fault a kind was raised on a subject, and false if it never was.
func (w *watched) first(kind fleet.Kind, subject fleet.Subject) (time.Duration, bool) {
	for _, r := range w.raised {
		if r.kind == kind && r.subject == subject && r.after >= w.story.At {
			return r.after - w.story.At, true
		}
	}
	return 0, false
}

// raises reports whether a kind was raised on anything.
func (w *watched) raises(kind fleet.Kind) bool {
	return slices.ContainsFunc(w.raised, func(r raised) bool { return r.kind == kind })
}

// misnamed reports whether a cable that is fine was called down after the fault.
func (w *watched) misnamed(cables ...fleet.LinkID) bool {
	for _, r := range w.raised {
		if r.kind != "link-down" || r.after < w.story.At {
			continue
		}
		right := false
		for _, c := range cables {
			right = right || r.subject == fleet.Subject(c)
		}
		if !right {
			return true
		}
	}
	return false
}
