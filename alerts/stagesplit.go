package alerts

import (
	"time"

	"ringwarden/fleet"
)

const (
	splitHopTime = iota
	splitMargin
	splitWaking
)

func stageSplitDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "stage-split",
			About:    "a peer went into float or equalize and the controller did not follow, although it could",
			Subject:  "controller",
			Priority: fleet.Medium,
			Thresholds: []fleet.Threshold{
				splitHopTime: {
					Name: "hop_time", Unit: fleet.Second, Default: 2, Min: 0.01, Max: 600,
					Why: "longest time that a call takes from one controller to the next, where the ring does not say (common practice, no source)",
				},
				splitMargin: {
					Name: "margin", Unit: fleet.Second, Default: 5, Min: 0, Max: 3600,
					Why: "a call repeated once after a bad frame, and a device that is slow to show its new stage (common practice, no source)",
				},
				splitWaking: {
					Name: "waking", Unit: fleet.Second, Default: 300, Min: 0, Max: 86400,
					Why: "a controller that woke less than this before it entered the stage may have joined an old call, so it is no sign of a new one (common practice, no source)",
				},
			},
		},
		judge: judgeStageSplit,
		tell:  tellStageSplit,
	}
}

// residents are the controllers of a ring that were last seen in one coordinated stage.
type residents struct {
	units        []*unit
	newest       time.Time // when the last of them was first seen there
	newestBefore time.Time // latest frame that still showed one of them elsewhere
	oldest       time.Time // when the first of them was first seen there
}

func (r *ring) prepareCalls(time.Time) {
	for i, s := range coordinated {
		c := residents{units: r.calls[i].units[:0]}
		for _, u := range r.units {
			if u.stage.is == s && u.partakes() {
				c.units = append(c.units, u)
				c.newest = latest(c.newest, u.stage.first)
				c.newestBefore = latest(c.newestBefore, u.stage.before)
				if c.oldest.IsZero() || u.stage.first.Before(c.oldest) {
					c.oldest = u.stage.first
				}
			}
		}
		r.calls[i] = c
	}
}

// hops returns how many cables a shared message passes from one controller to another, and false where there is no
// way: up an open ring.
func (r *ring) hops(from, to int) (int, bool) {
	if to >= from {
		return to - from, true
	}
	return to - from + len(r.units), !r.f.Open
}

func (w *watch) hopTime() time.Duration {
	if w.ring.f.HopTime > 0 {
		return w.ring.f.HopTime
	}
	return w.settings.seconds(splitHopTime)
}

// judgeStageSplit looks for a call: a peer's change into a coordinated stage. The controller is out of stage if it
// has been able to follow since before that change, was never in the stage since, and the call has had the time to
// reach it and to be seen. One that followed and later went back to bulk, as its own terminals asked, has followed; one
// that slept when the call went round was not able to; one that left for idle, off or fault is not any more.
func judgeStageSplit(w asked, now time.Time) finding {
	u := w.unit
	t := &u.stage
	switch {
	case !fresh(t.at, t.period, now):
		return unknown
	case t.able.IsZero() || !u.partakes():
		return no
	}
	answer := no
	for i := range coordinated {
		c := &w.ring.calls[i]
		if len(c.units) == 0 || t.is == coordinated[i] {
			continue
		}
		slack := w.allowance(len(w.ring.units))
		if !t.in[i].IsZero() && !t.in[i].Before(c.newest.Add(-slack)) {
			continue // it was there after the last of them went there
		}
		answer = unknown
		if c.newestBefore.Before(t.able) {
			continue // it could not follow any of them, so there is nobody to look for
		}
		if caller := w.caller(i, slack, now); caller != nil {
			f := finding{verdict: Yes, since: caller.stage.first}
			f.because = w.silentBetween(caller)
			if z := u.watch[registersFrozen]; z.active() {
				f.because = z.use()
			}
			return f
		}
	}
	return answer
}

// allowance is how long it may take until a call over some hops shows: travelling, two polls, and the margin.
func (w *watch) allowance(hops int) time.Duration {
	return time.Duration(hops)*w.hopTime() + 2*w.unit.stage.period + w.settings.seconds(splitMargin)
}

// caller returns the peer whose call the controller did not follow and that has waited longest; nil: none.
func (w *watch) caller(i int, slack time.Duration, now time.Time) *unit {
	var found *unit
	for _, p := range w.ring.calls[i].units {
		if w.missed(p, i, slack, now) && (found == nil || p.stage.first.Before(found.stage.first)) {
			found = p
		}
	}
	return found
}

func (w *watch) missed(p *unit, i int, slack time.Duration, now time.Time) bool {
	u, c := &w.unit.stage, &p.stage
	hops, reached := w.ring.hops(p.index, w.unit.index)
	switch {
	case !reached || c.before.IsZero() || !awake(c.was):
		return false // nobody knows when it went there, or it did so on waking
	case !fresh(c.at, c.period, now):
		return false // it may have left again
	case c.before.Before(latest(u.able, w.unit.presence.restarted)):
		return false // this controller slept, was not heard or started anew when the call may have passed
	case !u.in[i].Before(c.before.Add(-slack)):
		return false // it was there: it followed, or it called itself
	case now.Sub(c.first) <= w.allowance(hops):
		return false // there is still time
	}
	// Where somebody was there already, a peer that woke shortly before may have joined that old call, which this
	// controller had followed and left.
	joined := w.ring.calls[i].oldest.Before(c.before) && c.before.Sub(c.able) < w.settings.seconds(splitWaking)+slack
	return !joined && (now.Sub(w.heldUp(p)) > w.allowance(hops) || w.silentBetween(p) != nil)
}

// heldUp returns until when a unit on the way from p may have kept a call waiting: one that restarts hears it only when it
// is back. One that is called silent explains what does not come: see silentBetween.
func (w *watch) heldUp(p *unit) (until time.Time) {
	for i := p.index; i != w.unit.index; i = (i + 1) % len(w.ring.units) {
		u := w.ring.units[i]
		until = latest(until, u.presence.restarted)
		if u.silent(2, u.presence.missedAt) {
			until = latest(until, u.presence.missedAt)
		}
	}
	return until
}

// silentBetween returns the alarm of a unit on the way from p that is called silent; nil: there is none.
func (w *watch) silentBetween(p *unit) *watch {
	for i := p.index; i != w.unit.index; i = (i + 1) % len(w.ring.units) {
		if s := w.ring.units[i].watch[controllerSilent]; s.active() {
			return s.use()
		}
	}
	return nil
}

func tellStageSplit(w asked, now time.Time) words {
	u := w.unit
	for i, s := range coordinated {
		caller := w.caller(i, w.allowance(len(w.ring.units)), now)
		if caller == nil {
			continue
		}
		var names []string
		for _, p := range w.ring.calls[i].units {
			names = append(names, p.name)
		}
		verb := "are"
		if len(names) == 1 {
			verb = "is"
		}
		hops, _ := w.ring.hops(caller.index, u.index)
		waited := now.Sub(caller.stage.first)
		out := w.saying("%s is out of stage: still in %s while %s %s in %s; %s was seen there %s ago, and its call needs at most %s to be followed (%s of %s, two polls and a margin)",
			u.name, u.stage.is, fleet.List(names), verb, s, caller.name, fleet.Span(waited), fleet.Span(w.allowance(hops)), fleet.Count(hops, "hop"), fleet.Span(w.hopTime()))
		out.figure("waited", waited.Seconds(), fleet.Second)
		out.figure("allowed", w.allowance(hops).Seconds(), fleet.Second)
		out.figure("hops", float64(hops), fleet.Plain)
		out.figure("peers_in_stage", float64(len(names)), fleet.Plain)
		out.advice = "Look first whether ring coordination is switched on at " + u.name + ", then at the cables between " + caller.name + " and " + u.name +
			", starting at the in jack of " + u.name + "; a link alarm in this ring names the cable."
		if s == fleet.Equalize {
			out.caution = cautionEqualize
		}
		return out
	}
	return w.saying("%s is out of stage", u.name)
}
