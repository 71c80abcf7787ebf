package simulator

import (
	"math"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A device is the network side of a unit: its registers and how it answers.
type device struct {
	*profile
	image *registermap.Image
	of    time.Duration        // the instant that the registers are of
	plans [3]*registermap.Plan // as learned, by group; nil: the map's own

	hole   int // the point whose address is refused; -1: none
	frozen bool
	answers
}

// answers are the faults of the network side.
type answers struct {
	silent, refusing, garbling bool
	slow                       time.Duration
}

// A profile is how units are shown in one map's registers. Units with the same map share it.
type profile struct {
	m      *registermap.Map
	shown  []shown
	stages [fleet.Fault + 1]float64 // the stage to show for each: the map may lack some
}

// shown is one point with what stands in it.
type shown struct {
	point              int
	of                 *registermap.Point
	ground, sharedTrip float64 // masks of a flag word
	middle, swing      float64 // of a point without a quantity
}

// SharedTrip is the flag word for a unit that stopped because another shared a ground-fault trip.
const SharedTrip = "shared-trip"

func newProfile(m *registermap.Map) *profile {
	p := &profile{m: m}
	points := m.Points()
	exponents := map[string]bool{} // the image keeps these itself
	for i := range points {
		exponents[points[i].ScaledBy] = true
	}
	for i := range points {
		pt := &points[i]
		if exponents[pt.Name] {
			continue
		}
		s := shown{point: i, of: pt}
		switch pt.Quantity {
		case fleet.QuantityStage:
			p.showStages(pt)
		case fleet.Faults:
			s.ground, s.sharedTrip = float64(pt.Flag(fleet.GroundFault)), float64(pt.Flag(SharedTrip))
		case fleet.QuantityNone:
			s.middle, s.swing = usual(pt)
		}
		p.shown = append(p.shown, s)
	}
	return p
}

// showStages says what a map without a code for some stage shows instead.
func (p *profile) showStages(pt *registermap.Point) {
	instead := map[fleet.Stage][]fleet.Stage{
		fleet.Equalize: {fleet.Absorption, fleet.Bulk}, fleet.Float: {fleet.Absorption, fleet.Bulk},
		fleet.Absorption: {fleet.Bulk}, fleet.Off: {fleet.Idle}, fleet.Idle: {fleet.Off}, fleet.Fault: {fleet.Off, fleet.Idle},
	}
	for _, stage := range fleet.Stages {
		for _, s := range append([]fleet.Stage{stage}, instead[stage]...) {
			if named(pt, s.String()) {
				p.stages[stage] = float64(s)
				break
			}
		}
	}
}

func named(pt *registermap.Point, word string) bool {
	for _, n := range pt.Names {
		if n.Word == word {
			return true
		}
	}
	return false
}

// usual returns what a point without a quantity swings about, and how far: something plausible for its unit.
func usual(pt *registermap.Point) (middle, swing float64) {
	if !math.IsInf(pt.Lowest, 0) && !math.IsInf(pt.Highest, 0) {
		return (pt.Lowest + pt.Highest) / 2, (pt.Highest - pt.Lowest) / 10
	}
	switch pt.Unit {
	case fleet.Volt:
		middle = 24
	case fleet.Watt:
		middle = 500
	case fleet.Celsius:
		middle = 22
	case fleet.Hertz:
		middle = 50
	case fleet.Joule, fleet.Coulomb:
		middle = 3.6e6
	case fleet.Ratio:
		middle = 0.5
	case fleet.Second:
		middle = 600
	case fleet.Ohm, fleet.VoltPerCelsiusCell:
		middle = 0.01
	default:
		middle = 10
	}
	return middle, middle / 10
}

// refresh brings the registers up to the present.
func (u *unit) refresh() {
	now := u.ring.now
	if u.dev.of == now || u.dev.frozen && u.dev.of != noTimeYet {
		return
	}
	u.dev.of = now
	for i := range u.dev.shown {
		s := &u.dev.shown[i]
		// An error is a value that the registers cannot hold: then they keep the nearest or the last, as devices do.
		_ = u.dev.image.Set(s.point, u.value(s))
	}
}

// value returns what a point shows now.
func (u *unit) value(s *shown) fleet.Value {
	v := fleet.Value{Quality: fleet.Good}
	switch s.of.Quantity {
	case fleet.QuantityNone:
		u.invent(s, &v)
	case fleet.QuantityStage:
		v.Number = u.dev.stages[u.stage]
	case fleet.Faults:
		if u.stage == fleet.Fault && u.sharedTrip {
			v.Number = s.sharedTrip
		} else if u.stage == fleet.Fault {
			v.Number = s.ground
		}
	case fleet.Firmware:
		v.Number, v.Text = 1.4, "1.4"
	case fleet.LinkGood, fleet.LinkBad, fleet.LinkOK, fleet.LinkAge:
		u.listen(s.of.Quantity, &v)
	default:
		v.Number = u.number(s.of.Quantity)
	}
	return v
}

// listen fills in what the unit counts on its in jack.
func (u *unit) listen(q fleet.Quantity, v *fleet.Value) {
	l := &u.ring.links[u.index]
	switch q {
	case fleet.LinkGood:
		v.Number = float64(l.good)
	case fleet.LinkBad:
		v.Number = float64(l.bad)
	case fleet.LinkOK:
		v.Number = truth(l.fine)
	case fleet.LinkAge:
		v.Number = min(65000, (u.ring.now - max(l.heard, u.booted)).Seconds())
	}
	if !l.wired && q == fleet.LinkAge {
		v.Quality = fleet.Absent
	}
}

// number returns a reading. Electrical ones carry a little noise, as measured ones do.
func (u *unit) number(q fleet.Quantity) float64 {
	f, b := &u.ring.feeds[u.index], &u.ring.bank
	nominal := b.cells * (b.full + b.empty) / 2
	used := 1.0 // by a turbine's diversion load, what the bank does not take
	switch {
	case !u.charging():
		used = 0
	case f.limit > 0 && !u.kind.Turns():
		used = f.current / f.limit
	}
	inputVolts := u.volts(nominal, used)
	power := f.current * f.terminal * (1 + 0.002*u.jitter(q))
	switch q {
	case fleet.BatteryVoltage:
		return f.terminal + 0.0002*nominal*u.jitter(q)
	case fleet.BatteryCurrent:
		return f.current * (1 + 0.002*u.jitter(q))
	case fleet.BatteryTemperature:
		return u.used
	case fleet.InputVoltage:
		return inputVolts
	case fleet.InputCurrent:
		return power / efficiency / max(1, inputVolts)
	case fleet.OutputPower:
		return power
	case fleet.EnergyToday:
		return u.today
	case fleet.EnergyLifetime:
		return u.lifetime
	case fleet.InternalTemperature:
		return u.ring.sky.air + 6 + 30*f.current*f.terminal/u.rated
	case fleet.Uptime:
		return (u.ring.now - u.booted).Seconds()
	}
	return u.setting(q)
}

// setting returns what the unit is set to, and its timers.
func (u *unit) setting(q fleet.Quantity) float64 {
	switch q {
	case fleet.TimerAbsorption:
		return max(0, u.left)
	case fleet.TimerEqualize:
		if u.stage == fleet.Equalize {
			return max(0, u.equalize)
		}
	case fleet.SetpointAbsorption:
		return u.absorptionVolts
	case fleet.SetpointFloat:
		return u.floatVolts
	case fleet.SetpointEqualize:
		return u.equalizeVolts
	case fleet.SetpointTemperatureSlope:
		return u.slope
	case fleet.RingAddress:
		return float64(u.address)
	case fleet.RingEnabled:
		return truth(u.enabled)
	case fleet.RoleTemperatureReference:
		return truth(u.reference)
	case fleet.RoleFaultDetector:
		return truth(u.detector)
	case fleet.RoleTrips:
		return truth(u.trips)
	case fleet.SensorPresent:
		return truth(u.own || u.reference && u.sensor != sensorUnplugged)
	}
	return 0
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// invent fills in a point that the simulator knows no meaning of, so that it answers, moves slowly and is plausible.
func (u *unit) invent(s *shown, v *fleet.Value) {
	pt := s.of
	hours := u.ring.now.Hours() + float64(u.index)/7 + float64(s.point)/3
	switch {
	case pt.Form == fleet.FormText:
		v.Text = u.dev.m.Model[:min(len(u.dev.m.Model), 2*int(pt.Length))]
	case len(pt.Flags) > 0:
	case len(pt.Names) > 0:
		v.Number = float64(pt.Names[int(hours)%len(pt.Names)].Code)
	case pt.Bits == 1:
		v.Number = float64(int(hours) % 2)
	case pt.Counter:
		v.Number = s.middle * (1 + hours)
	default:
		v.Number = s.middle + s.swing*math.Sin(2*math.Pi*hours)
	}
}

// jitter returns a number from -1 to 1 that depends on the unit, the quantity and the instant alone, so that reading
// a register changes nothing.
func (u *unit) jitter(q fleet.Quantity) float64 {
	x := u.ring.noise + uint64(u.ring.now/step)*0x9E3779B97F4A7C15 + uint64(u.index)<<32 + uint64(q)<<24
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9 // the mixing steps of SplitMix64
	x = (x ^ x>>27) * 0x94D049BB133111EB
	x ^= x >> 31
	return float64(int64(x)) / (1 << 63)
}

// readRegisters and readBits answer a request as the device does, apart from being silent and the like.
func (u *unit) readRegisters(t registermap.Table, start, count uint16, dst []uint16) error {
	u.refresh()
	if u.refuses(t, start, count) {
		return registermap.ErrNoSuchAddress
	}
	return u.dev.image.ReadRegisters(t, start, count, dst)
}

func (u *unit) readBits(t registermap.Table, start, count uint16, dst []bool) error {
	u.refresh()
	if u.refuses(t, start, count) {
		return registermap.ErrNoSuchAddress
	}
	return u.dev.image.ReadBits(t, start, count, dst)
}

// refuses reports whether a request touches the point whose address is a hole.
func (u *unit) refuses(t registermap.Table, start, count uint16) bool {
	if u.dev.hole < 0 {
		return false
	}
	pt := &u.dev.m.Points()[u.dev.hole]
	return pt.Table == t && int(start) < int(pt.Address)+int(pt.Length) && int(pt.Address) < int(start)+int(count)
}
