package diagnosis

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A Part is what one unit did when a call went round.
type Part uint8

// The parts that a unit can have in a call.
const (
	Unseen   Part = iota // not heard at that time, asleep, or in the stage already: it says nothing
	Followed             // it went into the stage, or began the call
	Remained             // it could have followed and did not
	Joined               // it woke during or shortly before, and joined
)

var partNames = [...]string{"unseen", "followed", "remained", "joined"}

// String returns the word that people see.
func (p Part) String() string { return partNames[p] }

// A Step is one unit's change into the stage of a call: after the one instant, at or before the other. Polls see no more.
type Step struct {
	Unit      fleet.ControllerID
	After, By time.Time
}

// A Call is one float or equalize that went round, or some of the way.
type Call struct {
	Stage    fleet.Stage
	Steps    []Step // in the order in which the call went: by time, and along the cables where polls show the same
	Starter  fleet.ControllerID
	Sure     float64              // probability that Starter is who started it, 0 to 1
	Missing  []fleet.ControllerID // who could have followed and did not, in the order of the ring
	Starts   int                  // 1; more where units began on their own within the same time
	From, To time.Time            // the last instant before it, the first after it

	event
}

// An event is what each unit did when a message went round, by its index.
type event struct {
	part   []Part
	after  []time.Time
	by     []time.Time
	source int // who is known to have sent the message; -1: anybody may have
	silent []bool
	at     time.Time
}

// A gathering is an event under way.
type gathering struct {
	stage  fleet.Stage
	began  time.Time // first frame that showed it
	before time.Time // last frame that did not
	ends   time.Time
	source int
	after  []time.Time
	by     []time.Time
	woke   []bool
	able   []bool // at the beginning
}

const defaultHop = 2 * time.Second // common practice, no source; as the alarm for units out of stage

// margin is what a device may take to show its new stage, and a repeated message.
const margin = 5 * time.Second

// hop returns the longest time that a hop is taken to last: as the fleet file says, as learned, or the default.
func (r *Ring) hop() time.Duration {
	if r.f.HopTime > 0 {
		return r.f.HopTime
	}
	if h, ok := r.hops.longest(); ok {
		return h
	}
	return defaultHop
}

// window is how long a message may take to go round and to be seen.
func (r *Ring) window() time.Duration {
	return time.Duration(len(r.units)-1)*r.hop() + 2*r.periods.Fast + margin
}

func (r *Ring) begin(stage fleet.Stage, at time.Time) *gathering {
	n := len(r.units)
	g := &gathering{
		stage: stage, began: at, before: at, ends: at.Add(r.window()), source: -1,
		after: make([]time.Time, n), by: make([]time.Time, n), woke: make([]bool, n), able: make([]bool, n),
	}
	since := at.Add(-2*r.periods.Fast - margin)
	for i := range r.units {
		u := &r.units[i]
		g.able[i] = awake(u.stage) && !u.able.After(since) && at.Sub(u.answered) <= r.lapse() && u.enabled != isFalse
		if stage != fleet.Fault && u.stage == stage && !u.first.After(since) {
			g.able[i] = false // it is there already
		}
	}
	return g
}

// gather files that a unit went into a coordinated stage.
func (r *Ring) gather(i int, s fleet.Stage, at time.Time, wasAwake bool) {
	k := int(s - fleet.Float)
	g := r.open[k]
	u := &r.units[i]
	if g == nil {
		g = r.begin(s, at)
		r.open[k] = g
	}
	if !g.by[i].IsZero() {
		return // it came back: it followed already
	}
	g.by[i], g.after[i] = at, u.before
	const waking = 5 * time.Minute // as the alarm for units out of stage
	g.woke[i] = u.before.IsZero() || !wasAwake || u.before.Sub(u.able) < waking && g.joinsOld(r)
	if !u.before.IsZero() && u.before.Before(g.before) {
		g.before = u.before
	}
}

// joinsOld reports whether somebody was in the stage well before the gathering began.
func (g *gathering) joinsOld(r *Ring) bool {
	for i := range r.units {
		u := &r.units[i]
		if g.by[i].IsZero() && u.stage == g.stage && u.first.Before(g.began.Add(-r.window())) {
			return true
		}
	}
	return false
}

// close ends the gatherings whose time is over.
func (r *Ring) close() {
	for k, g := range r.open {
		if g != nil && r.now.After(g.ends) {
			r.open[k] = nil
			if slices.Contains(r.followed(g), true) {
				r.keepCall(g)
			}
		}
	}
	if g := r.trip; g != nil && r.now.After(g.ends) {
		r.trip = nil
		r.keepTrip(g)
	}
}

func (r *Ring) followed(g *gathering) []bool {
	f := make([]bool, len(r.units))
	for i := range f {
		f[i] = !g.by[i].IsZero() && !g.woke[i]
	}
	return f
}

// event says what each unit did in a gathering.
func (r *Ring) event(g *gathering) event {
	n := len(r.units)
	e := event{part: make([]Part, n), after: g.after, by: g.by, source: g.source, silent: make([]bool, n), at: g.began}
	for i := range r.units {
		u := &r.units[i]
		e.silent[i] = r.now.Sub(u.answered) > r.lapse()
		switch {
		case !g.by[i].IsZero() && g.woke[i]:
			e.part[i] = Joined
		case !g.by[i].IsZero():
			e.part[i] = Followed
		case g.able[i] && awake(u.stage) && u.stage != g.stage && !u.able.IsZero() && !u.able.After(g.began) && !e.silent[i]:
			e.part[i] = Remained
		}
	}
	return e
}

func (r *Ring) keepCall(g *gathering) {
	c := Call{Stage: g.stage, From: g.before, To: g.ends, event: r.event(g)}
	for i, p := range c.part {
		switch p {
		case Followed:
			c.Steps = append(c.Steps, Step{r.units[i].c.ID, g.after[i], g.by[i]})
		case Remained:
			c.Missing = append(c.Missing, r.units[i].c.ID)
		}
	}
	r.order(&c)
	r.hops.learn(r, &c)
	if len(r.calls) == keptCalls {
		r.calls = append(r.calls[:0], r.calls[1:]...)
	}
	r.calls = append(r.calls, c)
}

// keepTrip keeps who stopped at a trip. Units that are meant to stay on say nothing.
func (r *Ring) keepTrip(g *gathering) {
	e := event{
		part: make([]Part, len(r.units)), after: g.after, by: g.by, source: g.source, silent: make([]bool, len(r.units)), at: g.began,
	}
	for i := range r.units {
		u := &r.units[i]
		e.silent[i] = r.now.Sub(u.answered) > r.lapse()
		switch {
		case i == g.source || !g.able[i] || e.silent[i] || u.c.Intended.OnSharedFault == fleet.Stay:
		case u.stage == fleet.Fault || u.stage == fleet.Off:
			e.part[i] = Followed
		case awake(u.stage):
			e.part[i] = Remained
		}
		e.by[i] = time.Time{}
	}
	if len(r.trips) == keptTrips {
		r.trips = append(r.trips[:0], r.trips[1:]...)
	}
	r.trips = append(r.trips, e)
}
