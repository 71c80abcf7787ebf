package score

import (
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
)

// A Plant is what stands round the ring in the stories that last true days: bank, sources, loads and settings.
type Plant struct {
	Chemistry fleet.Chemistry
	Cells     int
	Capacity  float64 // Ah
	Targets   Targets
	Timer     time.Duration // how long an absorption is meant to last
	Load      float64       // W, on average
	Room      float64       // °C, on average
	Step      float64       // V, in which readings come
	Told      bool          // the fleet file gives the targets
	Normal    time.Duration // period of voltages, currents and powers
	Slow      time.Duration // period of settings
	Sources   []Source      // of each unit
}

// Targets are what a unit charges to, at 25 °C.
type Targets struct {
	Absorption, Float, Equalize float64 // V
	Slope                       float64 // V/°C for each cell
}

// A Source is what feeds a unit, and how the unit is wired and calibrated.
type Source struct {
	Kind  fleet.Source
	Rated float64 // W
	Lag   float64 // h by which an array looks west; negative: east
	Gives float64 // share of what its rating promises
	Lead  float64 // Ω between its terminals and the bank
	Off   float64 // by which share its voltage reading is off
	Gain  float64 // of its current reading
}

// newPlant draws a plant. Sound leads, meters and arrays differ from one another as they do in practice: leads that drop up to
// three quarters of a percent at full current, meters within half a percent, arrays that look two hours east or west and give 85 to 100 % (common practice, no source).
func newPlant(units int, period time.Duration, rng *rand.Rand) *Plant {
	p := &Plant{
		Chemistry: pick(rng, fleet.FloodedLead, fleet.FloodedLead, fleet.SealedLead, fleet.Lithium),
		Timer:     time.Duration((1.5 + 1.5*rng.Float64()) * float64(time.Hour)), Room: 10 + 14*rng.Float64(), Step: pick(rng, 0.1, 0.1, 0.01), Told: rng.IntN(2) == 0,
		Normal: pick[time.Duration](rng, 1, 2, 5) * period, Slow: pick[time.Duration](rng, 10, 15, 30) * period,
	}
	p.bank(pick(rng, 12.0, 24, 24, 48, 48, 48))
	turbine := pick(rng, fleet.PV, fleet.PV, fleet.Wind, fleet.Hydro)
	daily := 0.0 // Wh
	for i := range units {
		s := Source{
			Kind: fleet.PV, Rated: between(rng, 0.6, 1) * 60 * float64(p.Cells) * 2, Lag: 4*rng.Float64() - 2, Gives: 0.85 + 0.15*rng.Float64(),
			Lead: (0.001 + 0.005*rng.Float64()) * p.Targets.Float / 54, Off: 0.005 * (2*rng.Float64() - 1), Gain: 1 + 0.04*(rng.Float64()-0.5),
		}
		hours := 3.5
		if i > 0 && rng.IntN(4) == 0 {
			s.Kind = turbine
		}
		if s.Kind.Turns() {
			s.Rated, hours = s.Rated/3, 6
		}
		daily += s.Rated * hours
		p.Sources = append(p.Sources, s)
	}
	p.Load = daily / 24 * (0.3 + 0.2*rng.Float64())
	p.Capacity = daily * (1.2 + 1.5*rng.Float64()) / float64(p.Cells*2)
	if p.Chemistry == fleet.Lithium {
		p.Timer /= 4
		p.Capacity *= 0.6
	}
	return p
}

// bank sets what a bank of a nominal voltage is charged to.
func (p *Plant) bank(nominal float64) {
	if p.Chemistry == fleet.Lithium {
		p.Cells = int(nominal / 3)
		n := float64(p.Cells)
		p.Targets = Targets{Absorption: 3.5 * n, Float: 3.375 * n, Equalize: 3.5 * n}
		return
	}
	p.Cells = int(nominal / 2)
	n := float64(p.Cells)
	p.Targets = Targets{Absorption: 2.4 * n, Float: 2.25 * n, Equalize: 2.55 * n, Slope: -0.004}
	if p.Chemistry == fleet.SealedLead {
		p.Targets.Absorption, p.Targets.Equalize = 2.37*n, 2.37*n
	}
}

// NewPlant makes a story of true days in a small ring whose bank, sources, leads or settings have a fault, or none.
func NewPlant(fault Fault, seed uint64) Story {
	s := NewStory(fault, seed)
	rng := rand.New(rand.NewPCG(seed, 2000+uint64(fault)))
	s.Units, s.Period, s.Day = 2+s.Units%5, pick[time.Duration](rng, 1, 1, 2)*time.Minute, 24*time.Hour
	s.Unit, s.Link = rng.IntN(s.Units), 1
	if s.Every > s.Period {
		s.Every = s.Period
	}
	s.Plant = newPlant(s.Units, s.Period, rng)
	s.At = 48*time.Hour + time.Duration(rng.Int64N(int64(24*time.Hour)))
	s.Lasts = s.At + 4*24*time.Hour
	p := s.Plant
	switch fault {
	case Healthy:
		s.Lasts = 30 * 24 * time.Hour
	case SourceBehind:
		p.Sources[s.Unit].Kind, p.Sources[(s.Unit+1)%s.Units].Kind = fleet.PV, fleet.PV // else nobody can tell
		s.Lasts = s.At + 12*24*time.Hour
	case NeverFull:
		s.Lasts = s.At + 14*24*time.Hour
		p.lead()
	case TimerEndless:
		s.Lasts = s.At + 15*24*time.Hour
	}
	return s
}

// lead makes the bank one of flooded cells where it is not of lead.
func (p *Plant) lead() {
	if p.Chemistry == fleet.Lithium {
		p.Chemistry = fleet.FloodedLead
		p.Timer *= 4
		p.bank(float64(p.Cells) * 3)
	}
}

// NewMonth makes a healthy story of thirty true days in a small ring that is polled every minute or two: what false alarms are
// counted on.
func NewMonth(seed uint64) Story { return NewPlant(Healthy, seed) }

// A hunt is what should be raised in a story with a fault of the plant, and within which time after it began.
type hunt struct {
	kind    fleet.Kind
	subject fleet.Subject
	within  time.Duration
}

// hunted returns what should be found; false: the story has no such fault.
func (s *Story) hunted() (hunt, bool) {
	unit, ring := fleet.Subject(s.Controller(s.Unit)), fleet.Subject("mill/north")
	const day = 24 * time.Hour
	switch s.Fault {
	case LooseLead:
		return hunt{"lead-resistance", unit, 3 * day}, true
	case MeterOff:
		return hunt{"bank-voltage-split", unit, day}, true
	case SourceBehind:
		return hunt{"yield-behind", unit, 10 * day}, true
	case SettingChanged:
		return hunt{"settings-differ", unit, 3 * time.Hour}, true
	case SameAddress:
		return hunt{"ring-address-clash", ring, 3 * time.Hour}, true
	case Unloaded:
		return hunt{"turbine-unloaded", unit, 5 * time.Minute}, true
	case HotBank:
		return hunt{"bank-temperature", ring, 6 * time.Hour}, true
	case Overdrawn:
		return hunt{"bank-voltage", ring, 4 * day}, true
	case NeverFull:
		return hunt{"no-full-charge", ring, 13 * day}, true
	case TimerEndless:
		return hunt{"absorption-endless", ring, 14 * day}, true
	case TimerNought:
		return hunt{"absorption-brief", unit, 3 * day}, true
	}
	return hunt{}, false
}
