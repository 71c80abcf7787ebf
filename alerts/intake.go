package alerts

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// farFuture is how much newer than the last Advance a frame may be: more than any step between two Advances, less
// than a wrong clock or zone.
const farFuture = 10 * time.Minute

// patience is added to a number of poll periods wherever an answer is waited for: connecting, retrying and answering
// late may take this long (common practice, no source).
const patience = 5 * time.Second

// A stream is what one poll group of one controller delivers.
type stream struct {
	last   time.Time // newest frame; zero: none yet
	missed int       // polls in a row that were tried and not answered
	layout *fleet.Layout
	takes  []take // what of the layout is of interest, found once for each layout
	ground uint64 // mask of the ground-fault flag; 0: the map names none
	fit    fitTrack
}

// A take is the place of a quantity in a layout.
type take struct {
	at   int
	q    fleet.Quantity
	live bool // it moves while the controller works
}

// taken are the quantities that detectors look at.
var taken = []fleet.Quantity{
	fleet.QuantityStage, fleet.BatteryTemperature, fleet.LinkGood, fleet.LinkBad, fleet.LinkOK, fleet.LinkAge, fleet.Faults,
	fleet.RingEnabled, fleet.RoleTemperatureReference, fleet.RoleFaultDetector, fleet.RoleTrips,
	fleet.SensorPresent, fleet.Uptime, fleet.InternalTemperature,
	fleet.BatteryVoltage, fleet.BatteryCurrent, fleet.OutputPower, fleet.EnergyLifetime, fleet.RingAddress,
	fleet.SetpointAbsorption, fleet.SetpointFloat, fleet.SetpointEqualize, fleet.SetpointTemperatureSlope,
}

// Put files what a frame says. It judges nothing, and does not keep f. See the package comment for what it refuses.
func (e *Engine) Put(f *fleet.Frame) {
	u, ok := e.units[f.Controller]
	if !ok || int(f.Group) >= len(u.streams) {
		e.counts.UnknownController++
		return
	}
	s := &u.streams[f.Group]
	switch {
	case !e.now.IsZero() && f.At.Sub(e.now) > farFuture:
		e.counts.Future++
		return
	case f.At.Equal(s.last):
		e.counts.Doubled++
		return
	case f.At.Before(s.last):
		e.counts.Late++
		return
	case f.Outcome == fleet.Answered && (f.Layout == nil || len(f.Values) != len(f.Layout.Points)):
		e.counts.Malformed++
		return
	}
	s.last = f.At
	period := e.periods.Of(f.Group)
	u.presence.note(s, f, period)
	if f.Outcome != fleet.Answered {
		return
	}
	misses := 0
	for i := range u.streams {
		misses += u.streams[i].missed
		u.streams[i].missed = 0
	}
	u.presence.losses.answered(misses)
	if s.layout != f.Layout {
		s.learn(f.Layout)
	}
	r := reading{at: f.At, period: period, ground: s.ground}
	var link linkReading
	s.fit.see(f.Values)
	sum, told := uint64(0), uint8(0)
	for i := range s.takes {
		t := &s.takes[i]
		r.value, r.point = &f.Values[t.at], &f.Layout.Points[t.at]
		if t.live {
			sum = sum*0x9E3779B97F4A7C15 + r.value.Raw
			told++
		}
		if e.believe(t.q, r.value) {
			u.take(t.q, &r, &link)
		}
	}
	if told > 0 {
		u.constant.see(f.Group, sum, told, f.At)
	}
	if u.in != nil && link.any() {
		u.in.take(&link, f.At, period, f.Group)
		e.eager = e.eager || u.in.decides()
	}
}

// learn finds the quantities of interest in a layout.
func (s *stream) learn(l *fleet.Layout) {
	s.layout, s.takes, s.ground, s.fit = l, s.takes[:0], 0, fitTrack{}
	for _, q := range taken {
		if i, ok := l.Index(q); ok {
			s.takes = append(s.takes, take{i, q, live[q]})
			if q == fleet.Faults {
				s.ground = l.Points[i].Flag(fleet.GroundFault)
			}
		}
	}
}

// believe counts what is odd, and returns false for what is as good as not read.
func (e *Engine) believe(q fleet.Quantity, v *fleet.Value) bool {
	switch v.Quality {
	case fleet.Good:
	case fleet.Absent:
		return true // the device's own word, which some detectors want to know
	case fleet.Implausible:
		e.counts.Implausible++
		return false
	case fleet.Undefined:
		e.counts.Undefined++
		return false
	default:
		return false
	}
	if v.Number-v.Number != 0 { // infinite or not a number
		e.counts.NotFinite++
		return false
	}
	if q == fleet.QuantityStage && (v.Number < float64(fleet.Off) || v.Number > float64(fleet.Fault) || v.Number != math.Trunc(v.Number)) {
		e.counts.Undefined++
		return false
	}
	return true
}

// A reading is one value with what is needed to understand it.
type reading struct {
	value  *fleet.Value
	point  *fleet.Point
	at     time.Time
	period time.Duration
	ground uint64
}

// step returns in which steps the reading comes; 0: finer than anybody asks for, or not known.
func (r *reading) step() float64 {
	if p := r.point; (p.Form == fleet.FormUnsigned || p.Form == fleet.FormSigned) && p.ScaledBy == "" && p.Div != 0 {
		return math.Abs(p.Mul / p.Div)
	}
	return 0
}

// take files one reading. Only temperatures care about a value that the device says it does not have.
func (u *unit) take(q fleet.Quantity, r *reading, link *linkReading) {
	n := r.value.Number
	if r.value.Quality == fleet.Absent {
		if q == fleet.BatteryTemperature {
			u.heat.absent(r)
		}
		return
	}
	switch q {
	case fleet.QuantityStage:
		u.absorption.see(u.stage.is, fleet.Stage(n), r.at, r.period)
		u.stage.see(fleet.Stage(n), r.at, r.period)
	case fleet.BatteryTemperature:
		u.heat.see(r)
	case fleet.InternalTemperature:
		u.heat.inside.see(n)
	case fleet.SensorPresent:
		u.heat.sensor = truthOf(n)
	case fleet.LinkGood:
		link.good = counted{r.value, r.point}
	case fleet.LinkBad:
		link.bad = counted{r.value, r.point}
	case fleet.LinkOK:
		link.ok = truthOf(n)
	case fleet.LinkAge:
		link.age, link.hasAge = n, true
	case fleet.Faults:
		u.fault.see(r)
	case fleet.Uptime:
		u.presence.seeUptime(r)
	case fleet.BatteryVoltage:
		u.voltage.see(r)
		u.apart.step = r.step()
	case fleet.BatteryCurrent:
		u.amperes.see(r)
	case fleet.OutputPower:
		u.watts.see(r)
	case fleet.RingAddress, fleet.SetpointAbsorption, fleet.SetpointFloat, fleet.SetpointEqualize, fleet.SetpointTemperatureSlope:
		u.settings[settingOf[q]].see(r)
	case fleet.RingEnabled:
		u.settings[setEnabled].see(r)
		u.roles.enabled = truthOf(n)
		if n == 0 {
			u.roles.disabledAt = r.at
		}
	case fleet.RoleTemperatureReference:
		u.roles.reference = truthOf(n)
	case fleet.RoleFaultDetector:
		u.roles.detector = truthOf(n)
		u.settings[setDetector].see(r)
	case fleet.RoleTrips:
		u.roles.trips = truthOf(n)
		u.settings[setTrips].see(r)
	}
}

// forgetFuture forgets the controllers of which a frame came before the first Advance that now turns out to be from
// the future: otherwise every true frame would be late until then.
func (e *Engine) forgetFuture(now time.Time) {
	for _, u := range e.units {
		for i := range u.streams {
			if u.streams[i].last.Sub(now) <= farFuture {
				continue
			}
			e.counts.Future++
			u.streams, u.unitTracks = [3]stream{}, unitTracks{}
			if u.in != nil {
				u.in.linkTracks = linkTracks{}
			}
			break
		}
	}
}
