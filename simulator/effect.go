package simulator

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
	"ringwarden/registermap"
)

// The defaults of faults' parameters.
const (
	burstIfUnsaid  = 20 * time.Second
	gapIfUnsaid    = 3 * time.Minute
	shareIfUnsaid  = 0.2
	delayIfUnsaid  = 400 * time.Millisecond
	sensorIfUnsaid = 10.0 // °C
	secondIfUnsaid = 0.3  // °C: a second sensor at the same bank
	voltsIfUnsaid  = 0.05 // of the setpoint
)

func when[T any](on bool, v T) (zero T) {
	if on {
		return v
	}
	return zero
}

func sign(on bool) float64 { return 2*truth(on) - 1 }

func (l *link) interrupt(f *Fault, on bool) {
	l.burst, l.gap = when(on, f.Burst), when(on, f.Gap)
	l.lost = on // it begins with one
}

func defaultBurst(_ place, f *Fault) error {
	if f.Burst <= 0 {
		f.Burst = burstIfUnsaid
	}
	if f.Gap <= 0 {
		f.Gap = gapIfUnsaid
	}
	if f.Burst < step || f.Gap < step {
		return fmt.Errorf("burst is %s and gap %s; both must be %s or more", f.Burst, f.Gap, step)
	}
	return nil
}

func defaultShare(_ place, f *Fault) error {
	if f.Share == 0 {
		f.Share = shareIfUnsaid
	}
	if !(f.Share > 0 && f.Share <= 1) {
		return fmt.Errorf("share is %g; it must be above 0, and 1 at most", f.Share)
	}
	return nil
}

func defaultDelay(_ place, f *Fault) error {
	if f.Delay <= 0 {
		f.Delay = delayIfUnsaid
	}
	return nil
}

// kill takes a unit's supply away, or gives it back: then it starts anew and has forgotten everything but its
// settings and its energy counter.
func (u *unit) kill(on bool) {
	r := u.ring
	u.dead = on
	u.enter(fleet.Off, r.now)
	r.feeds[u.index].limit = 0
	l := &r.links[u.index]
	l.fine = false
	if on {
		return
	}
	l.good, l.bad, l.heard = 0, 0, r.now
	u.booted, u.awake, u.low, u.left = r.now, 0, 0, u.absorptionTime
	u.coordination = coordination{heard: noTimeYet}
	u.sensedAt, u.sharedAt = noTimeYet, noTimeYet
}

func (u *unit) freeze(on bool) {
	if on {
		u.refresh()
	}
	u.dev.frozen = on
}

func checkPoint(at place, f *Fault) error {
	points := at.unit.dev.m.Points()
	known := make([]string, len(points))
	for i := range points {
		if points[i].Name == f.Point {
			return nil
		}
		known[i] = points[i].Name
	}
	if f.Point == "" {
		return errors.New("say which point's address is refused, by its name in the register map")
	}
	return fmt.Errorf("its map has no point %q%s", f.Point, userfile.Hint(f.Point, known))
}

func (u *unit) punch(point string, on bool) {
	u.dev.hole, u.dev.plans = -1, [3]*registermap.Plan{}
	if i, ok := u.dev.m.Index(point); ok && on {
		u.dev.hole = i
	}
}

func checkDetector(at place, _ *Fault) error {
	for i := range at.unit.ring.units {
		if at.unit.ring.units[i].detector {
			return nil
		}
	}
	return fmt.Errorf("no unit of %s has a fault detector, so nothing would happen; set fault_detector in the fleet file", at.unit.ring.f.ID)
}

// ground sets or ends a ground fault. When the last one is mended, somebody resets every unit that had stopped.
func (r *ring) ground(on bool) {
	if on {
		r.grounded++
		return
	}
	if r.grounded--; r.grounded > 0 {
		return
	}
	for i := range r.units {
		if u := &r.units[i]; u.stage == fleet.Fault {
			u.enter(fleet.Idle, r.now)
			u.sharedTrip = false
		}
	}
}

func checkSensor(at place, _ *Fault) error {
	if !at.unit.reference {
		return errors.New("it has no battery sensor: it is not a temperature reference")
	}
	return nil
}

func checkOffset(at place, f *Fault) error {
	if f.By == 0 {
		f.By = sensorIfUnsaid
	}
	if math.Abs(f.By) > 100 {
		return fmt.Errorf("by is %g °C; it must be from -100 to 100", f.By)
	}
	return checkSensor(at, f)
}

func (u *unit) disturb(on bool, s sensorState) { u.sensor = when(on, s) }

func checkSecond(at place, f *Fault) error {
	if f.By == 0 {
		f.By = secondIfUnsaid
	}
	if at.unit.reference {
		return errors.New("it is a temperature reference already")
	}
	return nil
}

func (u *unit) refer(f *Fault, on bool) {
	u.reference, u.offset = on, when(on, f.By)
	u.sensedAt = noTimeYet
	if on {
		u.sense(u.ring.bank.temperature, u.ring.rng)
	}
}

func checkOwn(at place, f *Fault) error {
	if f.By == 0 {
		f.By = sensorIfUnsaid
	}
	if at.unit.reference {
		return errors.New("it is the temperature reference; sensor-offset makes its sensor wrong")
	}
	return nil
}

func (u *unit) plugIn(f *Fault, on bool) {
	u.own, u.offset = on, when(on, f.By)
	u.sensedAt = noTimeYet
	if on {
		u.sense(u.ring.bank.temperature, u.ring.rng)
	}
}

func checkSetpoint(at place, f *Fault) error {
	if f.Setpoint == "" {
		f.Setpoint = fleet.Absorption.String()
	}
	volts := at.unit.setpoint(f.Setpoint)
	if volts == nil {
		return fmt.Errorf("unknown setpoint %q%s", f.Setpoint, userfile.Hint(f.Setpoint, setpointWords))
	}
	if f.By == 0 {
		f.By = voltsIfUnsaid * *volts
	}
	if math.Abs(f.By) > *volts/2 {
		return fmt.Errorf("by is %g V, more than half of the setpoint's %.1f V", f.By, *volts)
	}
	return nil
}

var setpointWords = []string{fleet.Absorption.String(), fleet.Float.String(), fleet.Equalize.String()}

func (u *unit) setpoint(word string) *float64 {
	switch word {
	case setpointWords[0]:
		return &u.absorptionVolts
	case setpointWords[1]:
		return &u.floatVolts
	case setpointWords[2]:
		return &u.equalizeVolts
	}
	return nil
}

func checkLike(at place, f *Fault) error {
	u := at.unit
	if v := u.ring.bySlug(f.Like); v != nil && v != u {
		return nil
	}
	var known []string
	for i := range u.ring.units {
		if i != u.index {
			known = append(known, u.ring.units[i].c.ID.Slug())
		}
	}
	return fmt.Errorf("like must name another controller of the ring, not %q%s", f.Like, userfile.Hint(f.Like, known))
}

func (r *ring) bySlug(slug string) *unit {
	for i := range r.units {
		if r.units[i].c.ID.Slug() == slug {
			return &r.units[i]
		}
	}
	return nil
}

func (u *unit) borrow(f *Fault, on bool) {
	if v := u.ring.bySlug(f.Like); on && v != nil {
		u.address = v.address
		return
	}
	u.address = ownAddress(u.c, u.index)
}

// ownAddress returns the ring address that the fleet file intends; else they count from 1.
func ownAddress(c *fleet.Controller, index int) int {
	if a := c.Intended.RingAddress; a != nil {
		return *a
	}
	return index + 1
}
