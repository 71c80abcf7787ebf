package simulator

import (
	"math/rand/v2"

	"ringwarden/fleet"
)

// A source is what turns into electricity at a unit's input.
type source struct {
	kind      fleet.Source
	rated     float64   // W
	normal    direction // of the panels
	share     float64   // of what the weather would give: dirt, height of the mast, friction in the pipe
	available float64   // W at this moment
	awake     int       // seconds of usable input, up to awakeAfter
}

const (
	ratedIfUnsaid = 2000.0 // W
	efficiency    = 0.96   // of the controller
	wakesAt       = 0.01   // of the rated power
	sleepsAt      = 0.005
)

func newSource(c *fleet.Controller, rng *rand.Rand) source {
	s := source{kind: c.Source, rated: c.Rated, share: 0.95 + 0.05*rng.Float64()}
	if s.rated == 0 {
		s.rated = ratedIfUnsaid
	}
	s.normal = facing(165+30*rng.Float64(), 30+10*rng.Float64())
	return s
}

// step looks at what the source gives.
func (s *source) step(sky *sky) {
	var share float64
	switch s.kind {
	case fleet.Wind:
		share = sky.rotor(s.share)
	case fleet.Hydro:
		share = sky.water * s.share
	default:
		if sky.sun.up > 0 {
			share = sky.panel(s.normal) * s.share
		}
	}
	s.available = share * s.rated
	switch {
	case share > wakesAt && s.awake < awakeAfter:
		s.awake++
	case share < sleepsAt && s.awake > 0:
		s.awake--
	}
}

// volts returns the voltage at the input. used is the share of the available power that is taken: what is left over
// lets panels and turbines rise, and a turbine without any load runs away (1.6 to 2 times its speed and more).
func (s *source) volts(nominal, used float64) float64 {
	if s.awake == 0 && s.available == 0 {
		return 0
	}
	loaded := 1.4 * nominal
	if s.kind.Turns() {
		speed := 0.5 + 0.5*min(1, s.available/s.rated)
		return loaded * speed * (1 + 0.8*(1-used))
	}
	return loaded * (1 + 0.22*(1-used))
}
