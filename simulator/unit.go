package simulator

import (
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
)

// A unit is one controller: its settings, its source, its stage and what it knows of the ring.
type unit struct {
	c     *fleet.Controller
	ring  *ring
	index int
	settings
	source
	sensing
	coordination
	toggles

	stage    fleet.Stage
	since    time.Duration // when the stage began
	left     float64       // s of absorption that are left
	equalize float64       // s of equalize that are left
	holding  int           // s in a row at the target, in bulk
	low      int           // s in a row with the bank below the rebulk voltage
	booted   time.Duration
	used     float64 // °C: the battery temperature that its targets use

	lifetime, today float64 // J
	day             int     // of the site's calendar, to know when today begins
	dev             device
}

// settings are how the unit is set; they begin as the fleet file intends.
type settings struct {
	enabled, reference, detector, trips bool
	address                             int
	absorptionVolts, floatVolts         float64 // at 25 °C
	equalizeVolts, slope                float64
	absorptionTime                      float64 // s
}

// coordination is what the unit knows of the ring's calls and trips.
type coordination struct {
	call, declined uint32
	heard, saidAt  time.Duration // the call last heard, and said
	keeper         bool          // it repeats the call
	sharedTrip     bool          // it stopped on another's word
	trippedAt      time.Duration // when it last shared a trip of its own
}

// toggles are the faults of the unit itself.
type toggles struct {
	dead, stuck bool
}

// sensing is the battery sensor, where there is one, and what the ring shares.
type sensing struct {
	sensor   sensorState
	own      bool    // it has a sensor that it does not share
	offset   float64 // °C that the sensor is wrong by
	sensed   float64
	sensedAt time.Duration
	shared   float64
	sharedAt time.Duration
}

type sensorState uint8

const (
	sensorFine sensorState = iota
	sensorUnplugged
	sensorStuck
)

const (
	equalizeTime = 3600.0
	firstAbsorbs = 3600.0     // s: the first controller's absorption time
	othersAbsorb = 3 * 3600.0 // s: the others'; so the first one's timer ends first, and they follow
	awakeAfter   = 60         // s of usable input; the same of none before it sleeps
	absorbsAfter = 5          // s at the target
	rebulkAfter  = 90         // s below the rebulk voltage
	rebulkShare  = 0.96       // of the float voltage
	freshAfter   = time.Hour  // asleep this long: the next charge is a new one
	nearTarget   = 0.99       // of the target: the absorption timer runs
	fullyLoaded  = 0.98       // of what the source gives: below this the unit regulates
)

// sense reads the battery sensor.
func (u *unit) sense(bank float64, rng *rand.Rand) {
	if noise := 0.05 * rng.NormFloat64(); u.sensor == sensorFine {
		u.sensed = bank + u.offset + noise
	}
}

// know settles which battery temperature the unit uses.
func (u *unit) know(now time.Duration) {
	switch {
	case u.own, u.reference && u.sensor != sensorUnplugged:
		u.used = u.sensed
	case !u.reference && u.enabled && now-u.sharedAt <= senseGone:
		u.used = u.shared
	default:
		u.used = fallback
	}
}

// target returns the voltage that the unit regulates to at its terminals:
// V(T) = V25 + cells·slope·(T − 25). Bulk ends at the absorption target.
func (u *unit) target(cells float64) float64 {
	volts := u.absorptionVolts
	switch u.stage {
	case fleet.Float:
		volts = u.floatVolts
	case fleet.Equalize:
		volts = u.equalizeVolts
	}
	return compensated(volts, cells, u.slope, u.used)
}

func compensated(volts25, cells, slope, celsius float64) float64 {
	return volts25 + cells*slope*(celsius-25)
}

// charging reports whether the source feeds the bank.
func (u *unit) charging() bool {
	return !u.dead && u.stage >= fleet.Bulk && u.stage <= fleet.Equalize
}

func (u *unit) enter(stage fleet.Stage, at time.Duration) {
	u.stage, u.since, u.holding = stage, at, 0
	switch stage {
	case fleet.Equalize:
		u.equalize = equalizeTime
	case fleet.Idle, fleet.Off:
		u.keeper = false
	}
}

// step moves the stage machine on by one second.
func (u *unit) step(f *feed, now time.Duration) {
	if u.dead || u.stuck {
		return
	}
	r := u.ring
	if r.grounded > 0 && u.detector && u.stage != fleet.Fault {
		u.enter(fleet.Fault, now)
		u.trippedAt = noTimeYet
	}
	switch u.stage {
	case fleet.Fault:
	case fleet.Off:
		u.enter(fleet.Idle, now)
	case fleet.Idle:
		if u.awake >= awakeAfter {
			if now-u.since >= freshAfter {
				u.left = u.absorptionTime
			}
			u.enter(fleet.Bulk, now)
		}
	default:
		if u.awake <= 0 {
			u.enter(fleet.Idle, now)
			return
		}
		u.charge(f, now)
	}
}

// charge is the stage machine of a unit whose source gives power.
func (u *unit) charge(f *feed, now time.Duration) {
	if u.low >= rebulkAfter && u.stage != fleet.Bulk && u.stage != fleet.Equalize {
		if u.stage == fleet.Float {
			u.left = u.absorptionTime
			u.declined = u.call
		}
		u.enter(fleet.Bulk, now)
		return
	}
	switch u.stage {
	case fleet.Bulk:
		if f.current > fullyLoaded*f.limit {
			u.holding = 0
		} else if u.holding++; u.holding >= absorbsAfter {
			u.enter(fleet.Absorption, now)
		}
	case fleet.Absorption:
		if f.terminal >= nearTarget*f.target {
			u.left--
		}
		if u.left <= 0 {
			u.ring.start(u, fleet.Float, now)
		}
	case fleet.Equalize:
		if u.equalize--; u.equalize <= 0 {
			u.ring.start(u, fleet.Float, now)
		}
	}
}
