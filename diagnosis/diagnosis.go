// Package diagnosis reasons over the history of a ring: which calls went round, which cable or unit is to blame, why and
// since when, and what a swap of cables has shown.
//
// A [Ring] takes the frames of its controllers in the order of time ([Ring.Put]) and remembers a bounded amount of each
// kind of evidence. [Ring.Diagnose] weighs it. It is pure: no clock, no file, no network; the same frames always give the
// same answer. What it says is advice for whoever goes there with a cable in the hand.
//
// # How a suspect gets its probability
//
// Each hypothesis (nothing wrong; a cable dead, failing now and then, or noisy; a unit that takes no part, or stays on at a
// shared trip; a unit dead) says
// how likely each piece of evidence was: the frames counted on every cable, each float and equalize call, a shared trip,
// and who uses the reference's temperature. The logarithms add to those of what was likely before. Each hypothesis may
// have begun to hold at any time, each as likely; and a call that nothing explains well counts for little, since two
// things can be wrong at once.
//
// # What a message's way says
//
// A call, a trip or a temperature travels from unit to unit ([chain]). A unit that does not take part hands messages on,
// so the units behind it still follow; behind a dead cable nobody does. That tells the two apart without any counter.
//
// # What a swap says
//
// A cable and the jacks at its ends look the same until two cables change places ([Ring.Swapped], or [Ring.Note] for what a
// person wrote down). From then on each of the two cables is a hypothesis of its own that moves along, beside the places.
package diagnosis

import (
	"slices"
	"time"

	"ringwarden/diagnosis/statistics"
	"ringwarden/fleet"
)

// A Ring is what is remembered of one ring. It is for one goroutine at a time.
type Ring struct {
	Zone *time.Location // of the times in sentences, and of the hour of day; never nil

	f       *fleet.Ring
	periods fleet.Periods
	units   []unit
	index   map[fleet.ControllerID]int
	links   []fleet.Link
	into    []int // link into each unit; -1: none

	now   time.Time // of the newest frame
	open  [2]*gathering
	calls []Call // the newest, oldest first
	trips []event
	trip  *gathering
	hops  hopTimes
	step  time.Duration // of a batch of link counts
	pace  float64       // frames in a second that are usual here; 0: not known
	paced time.Time     // when that was learned

	sticks stickiness // of sampled flags
	swaps  []swapped  // of cables, the newest, oldest first

	reference int        // unit with the temperature sensor, as of the poll before; -1: none, or more than one
	turning   [2]float64 // W of the wind and of the hydro units, as of the poll before
}

// keptCalls and keptTrips bound what is remembered; the oldest goes first.
const (
	keptCalls = 64
	keptTrips = 8
)

// New returns an empty memory of a ring. It keeps f, which must not change any more.
func New(f *fleet.Ring, p fleet.Periods) *Ring {
	r := &Ring{Zone: time.UTC, reference: -1, f: f, periods: p, index: map[fleet.ControllerID]int{}, links: f.Links()}
	r.units = make([]unit, len(f.Controllers))
	r.into = make([]int, len(f.Controllers))
	for i := range f.Controllers {
		c := &f.Controllers[i]
		r.units[i] = unit{c: c, name: fleet.Line(c.Name, c.ID.Slug())}
		r.index[c.ID] = i
		r.into[i] = -1
	}
	for i, l := range r.links {
		r.into[l.To] = i
	}
	r.step = max(time.Minute, 2*p.Fast)
	r.sticks.apart = seldomest
	return r
}

// Put files a frame and does not keep it. Frames of other rings, and those no newer than one of the same controller and
// poll group, are dropped.
func (r *Ring) Put(f *fleet.Frame) {
	i, ok := r.index[f.Controller]
	if !ok || int(f.Group) >= len(r.units[i].last) || f.Outcome == fleet.Skipped {
		return
	}
	u := &r.units[i]
	if !f.At.After(u.last[f.Group]) || f.Outcome == fleet.Answered && (f.Layout == nil || len(f.Values) != len(f.Layout.Points)) {
		return
	}
	u.last[f.Group] = f.At
	if f.At.After(r.now) {
		r.now = f.At
		r.close()
		r.learnPace()
		r.reference, r.turning = r.referenceUnit(), [2]float64{}
		for i := range r.units {
			switch u := &r.units[i]; u.c.Source {
			case fleet.Wind:
				r.turning[0] += u.power
			case fleet.Hydro:
				r.turning[1] += u.power
			}
		}
	}
	if f.Outcome != fleet.Answered {
		u.missed++
		return
	}
	r.take(i, f)
}

// Calls returns the calls that are remembered, oldest first. The caller may keep them.
func (r *Ring) Calls() []Call { return slices.Clone(r.calls) }

// Newest returns the instant of the newest frame.
func (r *Ring) Newest() time.Time { return r.now }

// upstream returns the unit that feeds a unit, and false where there is none.
func (r *Ring) upstream(i int) (int, bool) {
	if r.into[i] < 0 {
		return 0, false
	}
	return r.links[r.into[i]].From, true
}

// learnPace learns how often frames come on the ring's cables, from time to time.
func (r *Ring) learnPace() {
	if r.now.Sub(r.paced) < 5*r.step {
		return
	}
	r.paced = r.now
	var known []float64
	for i := range r.units {
		if p := r.units[i].wire.rate.perSecond(); p > 0 {
			known = append(known, p)
		}
	}
	if len(known) > 0 {
		r.pace = statistics.Median(known)
	}
}
