package fleet

// Quantity is what a reading is of. The vocabulary is fixed: detectors, metrics and pages know each one.
type Quantity uint8

// The quantities. A map may give each to one point at most.
const (
	QuantityNone Quantity = iota
	QuantityStage
	BatteryVoltage
	BatteryCurrent // into the battery
	BatteryTemperature
	InputVoltage
	InputCurrent
	OutputPower
	EnergyToday
	EnergyLifetime
	TimerAbsorption // left, or run, as the device counts it
	TimerEqualize
	SetpointAbsorption
	SetpointFloat
	SetpointEqualize
	SetpointTemperatureSlope
	LinkGood // counter of good frames received from the upstream neighbour
	LinkBad  // counter of bad frames received from the upstream neighbour
	LinkOK   // sampled flag: the upstream neighbour was heard
	LinkAge  // time since the upstream neighbour was heard
	Faults
	RingAddress
	RingEnabled // the unit takes part in the ring's coordination
	RoleTemperatureReference
	RoleFaultDetector
	RoleTrips // the unit stops on a shared trip
	SensorPresent
	Firmware
	Uptime
	InternalTemperature
	quantityCount
)

// Shape says which kinds of value a quantity can have.
type Shape uint8

// The shapes of a quantity.
const (
	ShapeNumber Shape = iota // a number with a unit
	ShapeStage               // codes that a map names by stages
	ShapeFlags               // bits that a map names
	ShapeTruth               // zero or not
	ShapeText                // text or a number
)

type quantityInfo struct {
	name  string
	unit  Unit
	shape Shape
	group Group
	count bool
	about string
}

var quantities = [quantityCount]quantityInfo{
	QuantityNone:             {name: ""},
	QuantityStage:            {name: "stage", shape: ShapeStage, group: Fast, about: "what the controller is doing with its source"},
	BatteryVoltage:           {name: "battery.voltage", unit: Volt, about: "voltage at the battery terminals"},
	BatteryCurrent:           {name: "battery.current", unit: Ampere, about: "current into the battery"},
	BatteryTemperature:       {name: "battery.temperature", unit: Celsius, about: "battery temperature that the controller uses"},
	InputVoltage:             {name: "input.voltage", unit: Volt, about: "voltage of the source"},
	InputCurrent:             {name: "input.current", unit: Ampere, about: "current from the source"},
	OutputPower:              {name: "output.power", unit: Watt, about: "power to the battery"},
	EnergyToday:              {name: "energy.today", unit: Joule, about: "energy since the controller's own midnight or dawn"},
	EnergyLifetime:           {name: "energy.lifetime", unit: Joule, count: true, about: "energy since the controller was made"},
	TimerAbsorption:          {name: "timer.absorption", unit: Second, about: "absorption timer"},
	TimerEqualize:            {name: "timer.equalize", unit: Second, about: "equalize timer"},
	SetpointAbsorption:       {name: "setpoint.absorption", unit: Volt, group: Slow, about: "absorption target at 25 degrees Celsius"},
	SetpointFloat:            {name: "setpoint.float", unit: Volt, group: Slow, about: "float target at 25 degrees Celsius"},
	SetpointEqualize:         {name: "setpoint.equalize", unit: Volt, group: Slow, about: "equalize target at 25 degrees Celsius"},
	SetpointTemperatureSlope: {name: "setpoint.temperature_slope", unit: VoltPerCelsiusCell, group: Slow, about: "change of the targets with temperature, for each cell"},
	LinkGood:                 {name: "link.good", unit: Plain, group: Fast, count: true, about: "good frames received from the upstream neighbour"},
	LinkBad:                  {name: "link.bad", unit: Plain, group: Fast, count: true, about: "bad frames received from the upstream neighbour"},
	LinkOK:                   {name: "link.ok", shape: ShapeTruth, group: Fast, about: "the upstream neighbour is heard, as sampled"},
	LinkAge:                  {name: "link.age", unit: Second, group: Fast, about: "time since the upstream neighbour was heard"},
	Faults:                   {name: "faults", shape: ShapeFlags, group: Fast, about: "faults that the controller reports"},
	RingAddress:              {name: "ring.address", unit: Plain, group: Slow, about: "the controller's address in the ring"},
	RingEnabled:              {name: "ring.enabled", shape: ShapeTruth, group: Slow, about: "the controller takes part in the ring"},
	RoleTemperatureReference: {name: "role.temperature_reference", shape: ShapeTruth, group: Slow, about: "the controller shares its battery sensor"},
	RoleFaultDetector:        {name: "role.fault_detector", shape: ShapeTruth, group: Slow, about: "the controller has the ground-fault detector"},
	RoleTrips:                {name: "role.trips", shape: ShapeTruth, group: Slow, about: "the controller stops on a shared ground-fault trip"},
	SensorPresent:            {name: "sensor.present", shape: ShapeTruth, about: "a battery temperature sensor is plugged in"},
	Firmware:                 {name: "firmware", shape: ShapeText, group: Slow, about: "version of the controller's own program"},
	Uptime:                   {name: "uptime", unit: Second, about: "time since the controller started"},
	InternalTemperature:      {name: "internal.temperature", unit: Celsius, about: "temperature inside the controller"},
}

// AllQuantities returns the vocabulary, without QuantityNone.
func AllQuantities() []Quantity {
	all := make([]Quantity, 0, quantityCount-1)
	for q := QuantityNone + 1; q < quantityCount; q++ {
		all = append(all, q)
	}
	return all
}

func (q Quantity) info() quantityInfo {
	if q >= quantityCount {
		return quantityInfo{name: "?"}
	}
	return quantities[q]
}

// String returns the word that maps use, as in "battery.voltage"; none is "".
func (q Quantity) String() string { return q.info().name }

// Unit returns the base unit of the quantity's numbers.
func (q Quantity) Unit() Unit { return q.info().unit }

// Shape says which kinds of value the quantity can have.
func (q Quantity) Shape() Shape { return q.info().shape }

// Group returns the poll group of a point whose map does not say.
func (q Quantity) Group() Group { return q.info().group }

// Counter reports whether the quantity only ever grows, until it wraps or the device restarts.
func (q Quantity) Counter() bool { return q.info().count }

// About says in a few words what the quantity is, for help texts and metrics.
func (q Quantity) About() string { return q.info().about }

// ParseQuantity returns the quantity of a word such as "battery.voltage".
func ParseQuantity(s string) (Quantity, bool) {
	for q := QuantityNone + 1; q < quantityCount; q++ {
		if quantities[q].name == s {
			return q, true
		}
	}
	return QuantityNone, false
}
