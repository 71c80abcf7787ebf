package simulator

import (
	"math"

	"ringwarden/fleet"
)

// A bank is one battery bank: charge, voltage, temperature. Its voltage is whatever makes the currents of all
// sources, of the loads and of the bank itself add up to nothing.
//
// The cell is a plain one: open-circuit voltage in a straight line over the state of charge, and a resistance that
// grows steeply as the bank fills, so that the current tapers at a held voltage. The figures give a lead-acid cell's
// usual voltages (about 2.2 V at a tenth of its capacity per hour, half full; 2.40 V with a fiftieth left when full;
// common practice, no source).
type bank struct {
	chemistry
	cells       float64
	capacity    float64 // C
	charge      float64 // C that could be drawn
	gassed      float64 // C that went into gas instead of charge
	voltage     float64 // V at the bank's own posts
	current     float64 // A into the bank
	temperature float64 // °C
}

type chemistry struct {
	empty, full float64 // V per cell at rest
	resistance  float64 // Ω·C per cell: divided by the capacity it is the resistance while discharging
	fill        float64 // the same, added while charging, as the bank gets full
	absorption  float64 // V per cell at 25 °C
	float       float64
	equalize    float64
	slope       float64 // V per °C and cell
}

var leadAcid = chemistry{
	empty: 1.98, full: 2.125, resistance: 1.3 * 3600, fill: 24 * 3600,
	absorption: 2.40, float: 2.25, equalize: 2.55, slope: -0.005,
}

var lithiumIron = chemistry{
	empty: 3.10, full: 3.34, resistance: 0.4 * 3600, fill: 4 * 3600,
	absorption: 3.50, float: 3.375, equalize: 3.50, slope: 0,
}

// Thermal figures of a bank, for a heat capacity of about 60 J/°C per Ah and cell (plausible, no source).
const (
	bankTime  = 12 * 3600.0 // seconds in which it follows the air
	heatOfBay = 60.0 / 3600 // J/°C per C and cell
)

// newBank makes the fleet file's bank; what the file leaves out is filled in. rated is the power of all sources.
func newBank(f fleet.Bank, charge, rated float64) bank {
	b := bank{chemistry: leadAcid, cells: float64(f.Cells), capacity: f.Capacity, temperature: airMean + 4}
	perCell := 2.0
	if f.Chemistry == fleet.Lithium {
		b.chemistry, perCell = lithiumIron, 3.2
	}
	nominal := f.Nominal
	if nominal == 0 {
		nominal = b.cells * perCell
	}
	if nominal == 0 {
		nominal = 24
	}
	if b.cells == 0 {
		b.cells = math.Round(nominal / perCell)
	}
	if f.TemperatureSlope != 0 {
		b.slope = f.TemperatureSlope
	}
	if b.capacity == 0 {
		b.capacity = max(100, 10*rated/nominal) * 3600 // ten hours of everything at once
	}
	b.charge = charge * b.capacity
	b.voltage = b.rest()
	return b
}

// soc returns the state of charge, 0 to 1.
func (b *bank) soc() float64 { return b.charge / b.capacity }

// rest returns the open-circuit voltage.
func (b *bank) rest() float64 { return b.cells * (b.empty + (b.full-b.empty)*b.soc()) }

// resistances returns the bank's resistance in ohms while it is charged and while it is drawn from.
func (b *bank) resistances() (charging, drawing float64) {
	drawing = b.cells * b.resistance / b.capacity
	return drawing + b.cells*b.fill/b.capacity*math.Exp((b.soc()-1)/0.04), drawing
}

// store moves the charge and the temperature on by one second at the present current.
func (b *bank) store(air float64) {
	kept := b.current
	if b.current > 0 {
		// Near full the current splits water instead: none of it below 95 %, all of it at 100 %.
		over := max(0, (b.soc()-0.95)/0.05)
		kept *= 1 - min(1, over*over)
	}
	before := b.charge
	b.charge = min(b.capacity, max(0, b.charge+kept))
	b.gassed += b.current - (b.charge - before)
	loss := math.Abs(b.current * (b.voltage - b.rest()))
	b.temperature += (air-b.temperature)/bankTime + loss/(heatOfBay*b.capacity*b.cells)
}

// A feed is what one controller can give the bank at this moment.
type feed struct {
	limit  float64 // A at most, from its source
	target float64 // V at its own terminals
	lead   float64 // Ω from its terminals to the bank's posts
	droop  float64 // Ω: how its regulation gives way under current
	// what came of it
	current  float64 // A
	terminal float64 // V
}

// settle finds the bank's voltage, and each feed's current and terminal voltage with it. The sum of the currents
// falls with the voltage, in straight pieces, so there is one answer; Newton's method from the last voltage finds it
// in a step or two, and bisection guards it.
func (b *bank) settle(feeds []feed, load float64) {
	rest := b.rest()
	charging, drawing := b.resistances()
	low, high := 0.0, 4*rest
	v := b.voltage
	for range 60 {
		sum, slope := balance(feeds, v)
		conductance := 1 / charging
		if v < rest {
			conductance = 1 / drawing
		}
		into := (v - rest) * conductance
		if excess := sum - load - into; math.Abs(excess) < 1e-6 {
			break
		} else if excess > 0 {
			low = v
			v += excess / (slope + conductance)
		} else {
			high = v
			v += excess / (slope + conductance)
		}
		if v <= low || v >= high {
			v = (low + high) / 2
		}
	}
	b.voltage, b.current = v, 0
	for i := range feeds {
		f := &feeds[i]
		f.current = min(f.limit, max(0, (f.target-v)/(f.lead+f.droop)))
		f.terminal = v + f.current*f.lead
		b.current += f.current
	}
	b.current -= load
}

// balance returns the sum of the feeds' currents at a voltage of the posts, and how fast it falls with it.
func balance(feeds []feed, v float64) (sum, slope float64) {
	for i := range feeds {
		f := &feeds[i]
		if f.limit <= 0 || v >= f.target {
			continue
		}
		conductance := 1 / (f.lead + f.droop)
		if current := (f.target - v) * conductance; current < f.limit {
			sum += current
			slope += conductance
		} else {
			sum += f.limit
		}
	}
	return sum, slope
}
