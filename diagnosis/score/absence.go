package score

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// An Absence is a time in which units could not be heard, for a reason.
type Absence struct {
	First, Last int           // the units from First to Last
	From, To    time.Duration // after the story's beginning
	Restart     bool          // the unit restarted; otherwise only its answers were lost
}

// planOutages plans when an access point restarts: then polls of all units, or of those from one on, are lost together.
func (w *world) planOutages() {
	s := w.s
	for at := w.spread(s.Day); at < s.Lasts; at += time.Duration(w.rng.ExpFloat64() * 1.5 * float64(s.Day)) {
		first := 0
		if w.rng.IntN(2) == 0 {
			first = w.rng.IntN(s.Units)
		}
		lasts := w.spread(max(3*time.Minute, 6*s.Period))
		w.outages = append(w.outages, Absence{first, s.Units - 1, at, at + lasts, false})
		at += lasts
	}
	w.absent = append(w.absent, w.outages...)
	slices.Reverse(w.outages)
}

// cutOff reports whether a unit is not reached now.
func (w *world) cutOff(unit int) bool {
	for len(w.outages) > 0 && w.outages[len(w.outages)-1].To <= w.now {
		w.outages = w.outages[:len(w.outages)-1]
	}
	if len(w.outages) == 0 {
		return false
	}
	o := &w.outages[len(w.outages)-1]
	return w.now >= o.From && unit >= o.First && unit <= o.Last
}

// rightly reports whether an alarm in a healthy story tells the truth. A unit that could not be heard for two polls or more
// is silent: the third may have been lost by chance. A call that comes to a unit while it restarts is held up there, so that
// those behind it are told later; in a line nobody before it is. And a flood of such alarms is one.
func (w *watched) rightly(r *raised) bool {
	switch r.kind {
	case "controller-silent", "site-silent", "stage-split":
		return slices.ContainsFunc(w.truth.Absent, func(a Absence) bool { return w.explains(&a, r) })
	case "alarm-flood":
		n := 0
		for i := range w.raised {
			o := &w.raised[i]
			if o.kind != r.kind && o.after <= r.after && o.after > r.after-10*time.Minute && w.rightly(o) {
				n++
			}
		}
		return n >= 5
	}
	return false
}

// explains reports whether an absence is what an alarm is about.
func (w *watched) explains(a *Absence, r *raised) bool {
	s := w.story
	late := s.Period // the poll that was lost by chance
	if r.kind == "stage-split" {
		late = 3 * s.Period // it is told then, and has to travel on
	}
	if a.To-a.From < 2*s.Period || r.after < a.From || r.after > a.To+late {
		return false
	}
	switch r.kind {
	case "site-silent":
		return a.First == 0 && a.Last == s.Units-1
	case "stage-split":
		return a.Restart && (!s.Open || s.Controller(a.First) <= fleet.ControllerID(r.subject))
	}
	for u := a.First; u <= a.Last; u++ {
		if r.subject == fleet.Subject(s.Controller(u)) {
			return true
		}
	}
	return false
}

// deaf returns how long the polls took, from the fault on until after it, that could tell nothing of the story's cable
// since an end of it could not be heard or sent nothing.
func (w *watched) deaf(until time.Duration) time.Duration {
	s := w.story
	from, to := (s.Link+s.Units-1)%s.Units, s.Link
	var lost time.Duration
	for at := s.At.Truncate(s.Period) + s.Period; at <= s.At+until; at += s.Period {
		if slices.ContainsFunc(w.truth.Absent, func(a Absence) bool {
			return at >= a.From && at < a.To && (a.First <= from && from <= a.Last || a.First <= to && to <= a.Last)
		}) {
			lost += s.Period
		}
	}
	return lost
}
