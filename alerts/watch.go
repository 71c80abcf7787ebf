package alerts

import (
	"time"

	"ringwarden/fleet"
)

// A watch is one possible alarm: a kind on a subject, with its settings and where it stands.
type watch struct {
	key      fleet.AlarmKey
	detector *detector
	settings *settings // shared with others that are set alike

	site *site // of the subject, never nil; for the store one that only has a name
	ring *ring // of the subject; nil: the subject is a site
	unit *unit // nil: the subject is no controller
	link *link // nil: the subject is no link

	report *report     // what was said of the store; nil: the subject is something else
	steps  *clockSteps // that the program saw of its own clock; nil: the kind is another one

	standing
	words words
	said  time.Time // when words were told; zero: by an earlier run of the program
	asked time.Time // when a detector worked that need not each time
	order *Order    // of those that take it out of service, the first; nil: it is in service
}

// standing is where an alarm stands.
type standing struct {
	state         fleet.AlarmState
	hold          HoldState
	because       fleet.AlarmKey // what explained the condition when it was last known to hold; zero: nothing
	since, raised time.Time
	told          time.Time // hold.Since of the condition that the words are about
	shelf         Shelving  // zero: it is not shelved
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
func (w asked) judge(now time.Time) (fleet.Change, bool) {
	if w.settings.disabled {
		if w.state == fleet.AlarmNormal {
			return fleet.Change{}, false
		}
		return w.move(subjectRemoved, now, "a rule disables "+string(w.key.Kind)+" here")
	}
	f := w.detector.judge(w, now)
	w.hold = w.settings.hold.Step(w.hold, now, f.verdict)
	if w.shelf.over(now) {
		return w.unshelve(now, "its time on the shelf has ended")
	}
	if f.verdict == Unknown {
		return fleet.Change{}, false
	}
	if !w.hold.Holds {
		return w.gone(now)
	}
	if f.verdict == No {
		return fleet.Change{}, false // it is gone, but not yet for long enough
	}
	return w.holds(f, now)
}

// gone moves the alarm on when its condition does not hold. What is shelved for a time stays so.
func (w *watch) gone(now time.Time) (fleet.Change, bool) {
	if w.state == fleet.AlarmNormal {
		return fleet.Change{}, false
	}
	w.because = fleet.AlarmKey{}
	if w.state == fleet.Shelved {
		if !w.shelf.OneShot || w.told.IsZero() {
			return fleet.Change{}, false
		}
		return w.unshelve(now, "it was shelved until it went away")
	}
	return w.move(conditionGone, now, "")
}

// holds moves the alarm on when its condition holds.
func (w asked) holds(f finding, now time.Time) (fleet.Change, bool) {
	ev, why := conditionHolds, ""
	w.because = fleet.AlarmKey{}
	if f.because != nil {
		w.because = f.because.key
		ev, why = explained, "explained by "+string(w.because.Kind)+" on "+string(w.because.Subject)
	}
	switch {
	case w.order != nil:
		ev, why = takeOut, w.order.reason()
	case w.state == fleet.Shelved:
		ev = nothing
	}
	held := w.state == fleet.Shelved || w.state == fleet.OutOfService
	if after(w.state, ev) == w.state && (!held || w.told.Equal(w.hold.Since)) {
		w.tellAnew(now)
		return fleet.Change{}, false
	}
	w.since = w.hold.Since
	if !f.since.IsZero() && f.since.Before(w.since) {
		w.since = f.since
	}
	if w.since.After(now) {
		w.since = now // a clock that was set back over a restart
	}
	w.raised, w.told = now, w.hold.Since
	w.say(now)
	return w.move(ev, now, why)
}

func (w asked) say(now time.Time) { w.words, w.said = w.detector.tell(w, now), now }

// tellAnewEvery is how old the words of an alarm that goes on may be: how long the shortest of them lasts that a person still
// counts, and so rarely that telling costs nothing beside judging.
const tellAnewEvery = time.Minute

// tellAnew brings the words of an alarm that goes on up to now, for whoever lists alarms: what has been quiet for 3 s when it
// was raised has been so for hours by the time that somebody reads it. It is no change: nobody is told again, and nothing is
// stored but with the next change. After a restart the words are those of the last change until the condition is judged anew.
func (w asked) tellAnew(now time.Time) {
	if since := now.Sub(w.said); since >= tellAnewEvery || since < 0 {
		w.say(now)
	}
}

// release lets an alarm that a person has held back go to the state that its condition has.
func (w *watch) release(at time.Time, why string) (fleet.Change, bool) {
	switch {
	case w.order != nil && w.hold.Holds:
		return w.move(takeOut, at, why)
	case w.order == nil && !w.shelf.none():
		return w.move(shelve, at, why)
	case !w.hold.Holds:
		return w.move(conditionGone, at, why)
	case w.because != fleet.AlarmKey{}:
		explanation := "explained by " + string(w.because.Kind) + " on " + string(w.because.Subject)
		if why != "" {
			explanation = why + "; " + explanation
		}
		return w.move(explained, at, explanation)
	}
	// The words stay those that were told last: a person may act between two calls of Advance, when what a detector tells of
	// is not prepared.
	w.raised = latest(at, w.since)
	return w.move(conditionHolds, at, why)
}

func (w *watch) unshelve(at time.Time, why string) (fleet.Change, bool) {
	w.shelf = Shelving{}
	if w.state != fleet.Shelved {
		return fleet.Change{}, false
	}
	return w.release(at, why)
}

// move takes the step of an event, if there is one.
func (w *watch) move(ev event, at time.Time, why string) (fleet.Change, bool) {
	from := w.state
	w.state = after(from, ev)
	if w.state == from {
		return fleet.Change{}, false
	}
	if ev == subjectRemoved {
		w.hold, w.shelf = HoldState{}, Shelving{}
	}
	if w.state == fleet.AlarmNormal || w.state == fleet.ReturnedUnacknowledged {
		w.told = time.Time{}
	}
	return fleet.Change{At: at, From: from, Alarm: w.alarm(), Why: why}, true
}

// alarm returns the alarm as it stands.
func (w *watch) alarm() fleet.Alarm {
	a := fleet.Alarm{
		AlarmKey: w.key, State: w.state, Priority: w.settings.priority, Since: w.since, Raised: w.raised,
		Text: w.words.text, Advice: w.words.advice, Caution: w.words.caution, Figures: w.words.figures,
	}
	switch {
	case w.state == fleet.Shelved:
		a.Until = w.shelf.Until
	case w.state == fleet.OutOfService && w.order != nil:
		a.Until = w.order.Until
	}
	return a
}

// restore takes an alarm as it stood before a restart. What [Engine.Remember] has brought back already says more.
func (w *watch) restore(a *fleet.Alarm) {
	w.state, w.since, w.raised = a.State, a.Since, a.Raised
	w.words = words{text: a.Text, advice: a.Advice, caution: a.Caution, figures: a.Figures}
	switch a.State {
	case fleet.ReturnedUnacknowledged, fleet.AlarmNormal:
		return
	case fleet.Shelved:
		if w.shelf.none() {
			w.shelf.Until = a.Until
		}
		return // whether the condition holds is found out anew
	}
	if !w.hold.Holds {
		w.hold = HoldState{Holds: true, Since: a.Since}
		w.told = a.Since
	}
	if w.detector.adopt != nil {
		w.detector.adopt(w)
	}
}
