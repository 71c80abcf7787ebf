package diagnosis

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// A unit is what is remembered of one controller.
type unit struct {
	c    *fleet.Controller
	name string
	last [3]time.Time // newest frame of each poll group

	answered time.Time // newest answer
	up       time.Time // first answer of the unbroken run
	missed   int       // polls in a row without an answer
	uptime   float64
	booted   time.Time // newest frame that showed that it had restarted
	ticks    ticking
	address  float64 // in the ring; 0: not read

	stage  fleet.Stage
	seen   time.Time // newest frame with a stage
	first  time.Time // first frame with the stage it is in
	before time.Time // last frame with the one before; zero: not seen
	able   time.Time // since when it is awake; zero: it is not

	enabled, reference, sensor truth
	heat                       heat
	tripped                    bool
	current, power             float64 // newest; A, W
	wire                       wire    // the cable into it
}

type truth uint8

const (
	unread truth = iota
	isFalse
	isTrue
)

func truthOf(v float64) truth {
	if v != 0 {
		return isTrue
	}
	return isFalse
}

// ticking is how a unit's uptime grows. While it stands still so do the other registers, which may be a gateway that repeats
// itself.
type ticking struct {
	value   float64
	grew    time.Time     // newest frame in which it had grown; zero: none was seen
	longest time.Duration // between two such frames
	seen    int           // how many there were
}

func (t *ticking) see(f *fleet.Frame) {
	v, ok := f.Number(fleet.Uptime)
	if !ok || v == t.value {
		return
	}
	if !t.grew.IsZero() && !t.frozen(f.At) {
		t.longest = max(t.longest, f.At.Sub(t.grew))
	}
	t.value, t.grew, t.seen = v, f.At, t.seen+1
}

// frozen reports whether the uptime has stood still for far longer than it is used to.
func (t *ticking) frozen(at time.Time) bool {
	return t.seen >= 3 && at.Sub(t.grew) > max(2*time.Minute, 3*t.longest)
}

// heat is what is known of the battery temperature that a unit uses.
type heat struct {
	value   float64
	at      time.Time // newest value
	changed time.Time // when it changed last
	proof   time.Time // when it last changed to what the reference had: it heard the reference then
	apart   time.Time // when it was last seen to have another value than the reference
}

// lapse is after how long without a frame anything may have happened.
func (r *Ring) lapse() time.Duration { return 3*r.periods.Fast + 5*time.Second }

func awake(s fleet.Stage) bool { return s >= fleet.Bulk && s <= fleet.Equalize }

// take files what a unit answered.
func (r *Ring) take(i int, f *fleet.Frame) {
	u := &r.units[i]
	if u.up.IsZero() || u.missed > 0 || f.At.Sub(u.answered) > r.lapse() {
		u.up = f.At
	}
	u.missed = 0
	u.ticks.see(f)
	if u.ticks.frozen(f.At) {
		u.wire.excuse(u.ticks.grew)
		return // what stands still says nothing of cables, nor of who followed
	}
	u.answered = f.At
	if v, ok := f.Number(fleet.RingAddress); ok {
		u.address = v
	}
	if v, ok := f.Number(fleet.Uptime); ok {
		if v < u.uptime {
			u.booted = f.At
			u.wire.good.seen, u.wire.bad.seen = false, false // they count from nought again
		}
		u.uptime = v
	}
	for _, q := range []struct {
		of fleet.Quantity
		to *truth
	}{{fleet.RingEnabled, &u.enabled}, {fleet.RoleTemperatureReference, &u.reference}, {fleet.SensorPresent, &u.sensor}} {
		if v, ok := f.Number(q.of); ok {
			*q.to = truthOf(v)
		}
	}
	if v, ok := f.Number(fleet.BatteryTemperature); ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
		r.warm(i, v, f.At)
	}
	for _, q := range []struct {
		of fleet.Quantity
		to *float64
	}{{fleet.BatteryCurrent, &u.current}, {fleet.OutputPower, &u.power}} {
		if v, ok := f.Number(q.of); ok && !math.IsNaN(v) && !math.IsInf(v, 0) {
			*q.to = v
		}
	}
	r.fault(i, f)
	if s, ok := f.Stage(); ok && s > fleet.StageUnknown && s <= fleet.Fault {
		r.enter(i, s, f.At)
	}
	if r.into[i] >= 0 {
		u.wire.take(f, r.audible(i), r.periods.Of(f.Group), r.step, r.pace, r.around(i), &r.sticks)
	}
}

// audible returns since when both ends of the cable into a unit could be heard, and false where they cannot.
func (r *Ring) audible(i int) time.Time {
	from, ok := r.upstream(i)
	if !ok {
		return time.Time{}
	}
	s, u := &r.units[from], &r.units[i]
	if s.up.IsZero() || s.missed > 0 || s.stage == fleet.Off || s.enabled == isFalse {
		return r.now
	}
	since := u.up
	for _, t := range []time.Time{s.up, s.booted, u.booted} {
		if t.After(since) {
			since = t
		}
	}
	return since
}

// enter files the stage of a unit, and a change into float or equalize as part of a call.
func (r *Ring) enter(i int, s fleet.Stage, at time.Time) {
	u := &r.units[i]
	gap := u.seen.IsZero() || at.Sub(u.seen) > r.lapse()
	if s != u.stage || gap {
		was := u.stage
		u.before, u.first = u.seen, at
		if gap {
			u.before = time.Time{}
		}
		if s != was && s.Coordinated() {
			r.gather(i, s, at, awake(was))
		}
	}
	switch {
	case !awake(s):
		u.able = time.Time{}
	case gap || u.able.IsZero():
		u.able = at
	}
	u.stage, u.seen = s, at
}

// warm files a temperature. A change to what the reference has is proof that the unit heard it.
func (r *Ring) warm(i int, v float64, at time.Time) {
	h := &r.units[i].heat
	if h.at.IsZero() || v != h.value {
		h.changed = at
	}
	if ref := r.reference; ref >= 0 && ref != i && !h.at.IsZero() {
		t := &r.units[ref].heat
		switch off := math.Abs(t.value - v); {
		case t.at.IsZero() || at.Sub(t.at) > r.lapse():
		case off >= differs:
			h.apart = at
		case off < 0.35 && h.changed.Equal(at):
			h.proof = at
		}
	}
	h.value, h.at = v, at
}

// referenceUnit returns the only temperature reference, as the units say or else as the fleet file does; -1: none, or more
// than one.
func (r *Ring) referenceUnit() int {
	found := -1
	for i := range r.units {
		u := &r.units[i]
		is := u.c.Intended.TemperatureReference
		if u.reference != unread {
			is = u.reference == isTrue
		}
		if is && found >= 0 {
			return -1
		}
		if is {
			found = i
		}
	}
	return found
}

// fault files whether a unit reports a ground fault; the first report of the fault detector begins a trip.
func (r *Ring) fault(i int, f *fleet.Frame) {
	v, ok := f.Value(fleet.Faults)
	if !ok {
		return
	}
	at, _ := f.Layout.Index(fleet.Faults)
	mask := f.Layout.Points[at].Flag(fleet.GroundFault)
	set := v.Raw&mask != 0
	u := &r.units[i]
	if set && !u.tripped && u.c.Intended.FaultDetector && r.trip == nil {
		r.trip = r.begin(fleet.Fault, f.At)
		r.trip.source = i
	}
	u.tripped = set
}
