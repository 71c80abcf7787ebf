package simulator

import (
	"fmt"
	"slices"
	"time"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// A FaultKind names something that can go wrong, as in "cut-link".
type FaultKind string

// The kinds of fault. SCENARIO.md says what each does.
const (
	CutLink          FaultKind = "cut-link"
	IntermittentLink FaultKind = "intermittent-link"
	NoisyLink        FaultKind = "noisy-link"
	DeadUnit         FaultKind = "dead-unit"
	SilentUnit       FaultKind = "silent-unit"
	SlowUnit         FaultKind = "slow-unit"
	RefusingUnit     FaultKind = "refusing-unit"
	GarblingUnit     FaultKind = "garbling-unit"
	FrozenRegisters  FaultKind = "frozen-registers"
	RegisterHole     FaultKind = "register-hole"
	GroundFault      FaultKind = "ground-fault"
	WrongTripSetting FaultKind = "wrong-trip-setting"
	SensorUnplugged  FaultKind = "sensor-unplugged"
	SensorOffset     FaultKind = "sensor-offset"
	SensorStuck      FaultKind = "sensor-stuck"
	SecondReference  FaultKind = "second-reference"
	OwnSensor        FaultKind = "own-sensor"
	CoordinationOff  FaultKind = "coordination-off"
	WrongSetpoint    FaultKind = "wrong-setpoint"
	SameAddress      FaultKind = "same-address"
	StuckStage       FaultKind = "stuck-stage"
	EqualizeStarted  FaultKind = "equalize"
	SiteOutage       FaultKind = "site-outage"
)

// A Fault is one thing that goes wrong at one place. Of the parameters, those of its kind are used; a zero means the
// default that SCENARIO.md names.
type Fault struct {
	Kind     FaultKind
	On       fleet.Subject // id of the link, controller or site
	By       float64       // °C or V: how far off a sensor or a setpoint is
	Share    float64       // of damaged frames, above 0 to 1
	Burst    time.Duration // mean length of an interruption
	Gap      time.Duration // mean time between two
	Delay    time.Duration // of each answer, in the clock's time also when simulated time runs faster
	Setpoint string        // "absorption", "float" or "equalize"
	Like     string        // slug of the controller in the same ring whose address is borne
	Point    string        // name of the point in the register map
}

// The places that a fault can be at.
const (
	placeLink       = "link"
	placeController = "controller"
	placeSite       = "site"
)

// A kindOfFault says what a kind needs and does. set makes it so, or undoes it; it refuses what cannot be.
type kindOfFault struct {
	kind   FaultKind
	place  string
	params []string
	about  string
	check  func(place, *Fault) error // also fills in defaults; nil: nothing to check
	set    func(place, *Fault, bool)
}

// place is where a fault is; which field is set depends on the kind.
type place struct {
	link *link
	unit *unit
	site *network
}

var kindsOfFault = []kindOfFault{
	{
		CutLink, placeLink, nil, "the cable is cut: no frame arrives", nil,
		func(p place, _ *Fault, on bool) { p.link.cut = on },
	},
	{
		IntermittentLink, placeLink,
		[]string{"burst", "gap"},
		"a loose contact: bursts in which frames are missing or damaged", defaultBurst,
		func(p place, f *Fault, on bool) { p.link.interrupt(f, on) },
	},
	{
		NoisyLink, placeLink,
		[]string{"share"},
		"a share of all frames arrives damaged", defaultShare,
		func(p place, f *Fault, on bool) { p.link.noise = when(on, f.Share) },
	},
	{
		DeadUnit, placeController, nil, "no supply: no answers, no frames, no charging", nil,
		func(p place, _ *Fault, on bool) { p.unit.kill(on) },
	},
	{
		SilentUnit, placeController, nil, "its network port answers nothing; it goes on charging", nil,
		func(p place, _ *Fault, on bool) { p.unit.dev.silent = on },
	},
	{
		SlowUnit, placeController,
		[]string{"delay"},
		"it takes its time to answer", defaultDelay,
		func(p place, f *Fault, on bool) { p.unit.dev.slow = when(on, f.Delay) },
	},
	{
		RefusingUnit, placeController, nil, "it refuses every request (exception 4)", nil,
		func(p place, _ *Fault, on bool) { p.unit.dev.refusing = on },
	},
	{
		GarblingUnit, placeController, nil, "its answers are rubbish", nil,
		func(p place, _ *Fault, on bool) { p.unit.dev.garbling = on },
	},
	{
		FrozenRegisters, placeController, nil, "it answers what it answered when the fault began", nil,
		func(p place, _ *Fault, on bool) { p.unit.freeze(on) },
	},
	{
		RegisterHole, placeController,
		[]string{"point"},
		"it refuses one point's address (exception 2)", checkPoint,
		func(p place, f *Fault, on bool) { p.unit.punch(f.Point, on) },
	},
	{
		GroundFault, placeController, nil, "a ground fault at its source: the ring's detector trips and shares the trip", checkDetector,
		func(p place, _ *Fault, on bool) { p.unit.ring.ground(on) },
	},
	{
		WrongTripSetting, placeController, nil, "it stops on a shared trip although it must stay on, or the reverse", nil,
		func(p place, _ *Fault, _ bool) { p.unit.trips = !p.unit.trips },
	},
	{
		SensorUnplugged, placeController, nil, "the battery sensor is unplugged: the unit shares nothing and uses 25 °C", checkSensor,
		func(p place, _ *Fault, on bool) { p.unit.disturb(on, sensorUnplugged) },
	},
	{
		SensorOffset, placeController,
		[]string{"by"},
		"the battery sensor is wrong by so many °C", checkOffset,
		func(p place, f *Fault, on bool) { p.unit.offset = when(on, f.By) },
	},
	{
		SensorStuck, placeController, nil, "the battery sensor's reading no longer moves", checkSensor,
		func(p place, _ *Fault, on bool) { p.unit.disturb(on, sensorStuck) },
	},
	{
		SecondReference, placeController,
		[]string{"by"},
		"it is set to be a temperature reference as well, with a sensor of its own", checkSecond,
		func(p place, f *Fault, on bool) { p.unit.refer(f, on) },
	},
	{
		OwnSensor, placeController,
		[]string{"by"},
		"it uses a sensor of its own, which is so many °C off, instead of the shared value", checkOwn,
		func(p place, f *Fault, on bool) { p.unit.plugIn(f, on) },
	},
	{
		CoordinationOff, placeController, nil, "it hands messages on but neither follows nor starts any", nil,
		func(p place, _ *Fault, on bool) { p.unit.enabled = !on },
	},
	{
		WrongSetpoint, placeController,
		[]string{"setpoint", "by"},
		"one of its setpoints is off by so many volts", checkSetpoint,
		func(p place, f *Fault, on bool) { *p.unit.setpoint(f.Setpoint) += sign(on) * f.By },
	},
	{
		SameAddress, placeController,
		[]string{"like"},
		"it bears the ring address of another unit", checkLike,
		func(p place, f *Fault, on bool) { p.unit.borrow(f, on) },
	},
	{
		StuckStage, placeController, nil, "its stage no longer changes", nil,
		func(p place, _ *Fault, on bool) { p.unit.stuck = on },
	},
	{
		EqualizeStarted, placeController, nil, "somebody starts an equalize at it, where it must be charging; it ends by its own timer", nil,
		func(p place, _ *Fault, on bool) {
			if on {
				p.unit.ring.start(p.unit, fleet.Equalize, p.unit.ring.now)
			}
		},
	},
	{
		SiteOutage, placeSite, nil, "the site's network is out: no connection to any of its controllers", nil,
		func(p place, _ *Fault, on bool) { p.site.shut(on) },
	},
}

// FaultKinds lists the kinds of fault.
func FaultKinds() []FaultKind {
	kinds := make([]FaultKind, len(kindsOfFault))
	for i := range kindsOfFault {
		kinds[i] = kindsOfFault[i].kind
	}
	return kinds
}

func faultWords() []string {
	words := make([]string, len(kindsOfFault))
	for i := range kindsOfFault {
		words[i] = string(kindsOfFault[i].kind)
	}
	return words
}

func kindNamed(kind FaultKind) *kindOfFault {
	for i := range kindsOfFault {
		if kindsOfFault[i].kind == kind {
			return &kindsOfFault[i]
		}
	}
	return nil
}

// Inject sets a fault from now on. It is an error, and nothing happens, if the fault cannot be where it is said to
// be, or if one of its kind is there already.
func (p *Plant) Inject(f Fault) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.inject(f)
}

func (p *Plant) inject(f Fault) error {
	k, at, err := p.find(&f)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(p.active, f.same) {
		return fmt.Errorf("setting %s on %s: it is set already; clear it first", f.Kind, f.On)
	}
	if f.Kind == EqualizeStarted && !at.unit.charging() {
		return fmt.Errorf("starting an equalize at %s: it is in stage %s and does not charge", f.On, at.unit.stage)
	}
	k.set(at, &f, true)
	if f.Kind != EqualizeStarted { // over as soon as it is done
		p.active = append(p.active, f)
	}
	p.tell(News{Fault: f})
	return nil
}

func (f Fault) same(g Fault) bool { return f.Kind == g.Kind && f.On == g.On }

// find looks a fault's place up and checks its parameters, whose defaults it fills in.
func (p *Plant) find(f *Fault) (*kindOfFault, place, error) {
	k, at, err := p.locate(f)
	if err == nil && k.check != nil {
		if err = k.check(at, f); err != nil {
			err = fmt.Errorf("%s on %s: %w", f.Kind, f.On, err)
		}
	}
	return k, at, err
}

// locate looks a fault's kind and place up.
func (p *Plant) locate(f *Fault) (*kindOfFault, place, error) {
	k := kindNamed(f.Kind)
	if k == nil {
		return nil, place{}, fmt.Errorf("unknown fault %q%s", f.Kind, userfile.Hint(string(f.Kind), faultWords()))
	}
	var at place
	var known []string
	switch k.place {
	case placeLink:
		at.link, known = lookUp(p.links, fleet.LinkID(f.On))
	case placeController:
		at.unit, known = lookUp(p.units, fleet.ControllerID(f.On))
	case placeSite:
		at.site, known = lookUp(p.sites, fleet.SiteID(f.On))
	}
	if at == (place{}) {
		return nil, place{}, fmt.Errorf("the fleet has no %s %q, where %s could be%s",
			k.place, f.On, f.Kind, userfile.Hint(string(f.On), known))
	}
	return k, at, nil
}

func lookUp[K ~string, V any](from map[K]*V, id K) (*V, []string) {
	if v := from[id]; v != nil {
		return v, nil
	}
	known := make([]string, 0, len(from))
	for k := range from {
		known = append(known, string(k))
	}
	slices.Sort(known)
	return nil, known
}

// Clear ends a fault and reports whether there was one.
func (p *Plant) Clear(kind FaultKind, on fleet.Subject) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.clear(kind, on)
}

func (p *Plant) clear(kind FaultKind, on fleet.Subject) bool {
	i := slices.IndexFunc(p.active, Fault{Kind: kind, On: on}.same)
	if i < 0 {
		return false
	}
	f := p.active[i]
	p.active = slices.Delete(p.active, i, i+1)
	if k, at, err := p.locate(&f); err == nil {
		k.set(at, &f, false)
	}
	p.tell(News{Fault: f, Ended: true})
	return true
}

// Faults returns the faults that are set, oldest first.
func (p *Plant) Faults() []Fault {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.active)
}
