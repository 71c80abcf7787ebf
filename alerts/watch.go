package alerts

import (
	"time"

	"ringwarden/fleet"
)

// A watch is one possible alarm: a kind on a subject, with its settings and where it stands.
type watch struct {
	key      fleet.AlarmKey
	detector *detector
	settings settings

	site *site // of the subject, never nil; for the store one that only has a name
	ring *ring // of the subject; nil: the subject is a site
	unit *unit // nil: the subject is no controller
	link *link // nil: the subject is no link

	report *report // what was said of the store; nil: the subject is something else

	state         fleet.AlarmState
	hold          HoldState
	since, raised time.Time
	words         words
}

// active reports whether the watch's condition counts, whatever state people have brought the alarm to.
func (w *watch) active() bool { return w != nil && w.hold.Holds }

// use returns the watch as an explanation, or nil if its kind is disabled here: what is not raised explains nothing.
func (w *watch) use() *watch {
	if w == nil || w.settings.disabled {
		return nil
	}
	return w
}

// judge asks the detector and moves the alarm on. It returns false if nothing changed.
func (w *watch) judge(now time.Time) (fleet.Change, bool) {
	if w.settings.disabled {
		if w.state == fleet.AlarmNormal {
			return fleet.Change{}, false
		}
		return w.move(subjectRemoved, now, "a rule disables "+string(w.key.Kind)+" here")
	}
	f := w.detector.judge(w, now)
	w.hold = w.settings.hold.Step(w.hold, now, f.verdict)
	switch {
	case f.verdict == Unknown:
		return fleet.Change{}, false
	case !w.hold.Holds:
		return w.move(conditionGone, now, "")
	case f.verdict == No:
		return fleet.Change{}, false // it is gone, but not yet for long enough
	}
	ev, why := conditionHolds, ""
	if f.because != nil {
		if w.state == fleet.Suppressed {
			return fleet.Change{}, false
		}
		ev, why = explained, "explained by "+string(f.because.key.Kind)+" on "+string(f.because.key.Subject)
	}
	if after(w.state, ev) == w.state {
		return fleet.Change{}, false
	}
	w.since = w.hold.Since
	if !f.since.IsZero() && f.since.Before(w.since) {
		w.since = f.since
	}
	w.raised = now
	w.words = w.detector.tell(w, now)
	return w.move(ev, now, why)
}

// move takes the step of an event, if there is one.
func (w *watch) move(ev event, at time.Time, why string) (fleet.Change, bool) {
	from := w.state
	w.state = after(from, ev)
	if w.state == from {
		return fleet.Change{}, false
	}
	if ev == subjectRemoved {
		w.hold = HoldState{}
	}
	return fleet.Change{At: at, From: from, Alarm: w.alarm(), Why: why}, true
}

// alarm returns the alarm as it stands.
func (w *watch) alarm() fleet.Alarm {
	return fleet.Alarm{
		AlarmKey: w.key, State: w.state, Priority: w.settings.priority, Since: w.since, Raised: w.raised,
		Text: w.words.text, Advice: w.words.advice, Caution: w.words.caution, Figures: w.words.figures,
	}
}

// restore takes an alarm as it stood before a restart.
func (w *watch) restore(a *fleet.Alarm) {
	w.state, w.since, w.raised = a.State, a.Since, a.Raised
	w.words = words{text: a.Text, advice: a.Advice, caution: a.Caution, figures: a.Figures}
	if a.State == fleet.ReturnedUnacknowledged || a.State == fleet.AlarmNormal {
		return
	}
	w.hold = HoldState{Holds: true, Since: a.Since}
	if w.detector.adopt != nil {
		w.detector.adopt(w)
	}
}
