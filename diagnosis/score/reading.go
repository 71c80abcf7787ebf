package score

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// settings returns the points of a plant that are read slowly.
func (p *Plant) settings() []fleet.Point {
	return []fleet.Point{
		point("absorption", fleet.SetpointAbsorption, p.Step), point("float", fleet.SetpointFloat, p.Step),
		point("equalize", fleet.SetpointEqualize, p.Step), point("slope", fleet.SetpointTemperatureSlope, 0.0001),
		point("address", fleet.RingAddress, 1), point("enabled", fleet.RingEnabled, 1), point("trips", fleet.RoleTrips, 1),
	}
}

// write puts what is installed into the fleet file.
func (p *Plant) write(r *fleet.Ring) {
	each := 2.0
	if p.Chemistry == fleet.Lithium {
		each = 3.2
	}
	r.Bank = fleet.Bank{
		Chemistry: p.Chemistry, Cells: p.Cells, Nominal: math.Round(each * float64(p.Cells)), Capacity: 3600 * p.Capacity,
		TemperatureSlope: p.Targets.Slope,
	}
	for i := range r.Controllers {
		c := &r.Controllers[i]
		c.Source, c.Rated = p.Sources[i].Kind, math.Round(p.Sources[i].Rated)
		if p.Told {
			t, address := p.Targets, i+1
			c.Intended.RingAddress = &address
			c.Intended.Setpoints = fleet.Setpoints{Absorption: &t.Absorption, Float: &t.Float, Equalize: &t.Equalize, TemperatureSlope: &t.Slope}
		}
	}
}

// temperature is the battery's: the room's by day and night, and over the weeks.
func (p *plantWorld) temperature(at time.Duration) float64 {
	return p.p.Room + p.bank.hot + 2.5*math.Sin(2*math.Pi*(at.Hours()-4)/24) + 2*math.Sin(2*math.Pi*at.Hours()/150)
}

// reading returns what a unit tells of itself. The units are not asked at the very same instant: now and then a load comes or
// goes between two of them.
func (p *plantWorld) reading(w *world, i int, q fleet.Quantity) float64 {
	u := &p.units[i]
	switch q {
	case fleet.BatteryVoltage:
		v := p.bank.volts + u.amperes*u.Lead
		if w.rng.IntN(50) == 0 {
			v += 0.01 * p.bank.volts * w.rng.NormFloat64()
		}
		return v*(1+u.Off) + 0.0005*p.bank.volts*w.rng.NormFloat64()
	case fleet.BatteryCurrent:
		return u.amperes * u.Gain
	case fleet.OutputPower:
		return u.amperes * u.Gain * p.bank.volts
	case fleet.SetpointAbsorption:
		return u.targets.Absorption
	case fleet.SetpointFloat:
		return u.targets.Float
	case fleet.SetpointEqualize:
		return u.targets.Equalize
	case fleet.SetpointTemperatureSlope:
		return u.targets.Slope
	case fleet.RingAddress:
		return float64(u.address)
	}
	return 0
}
