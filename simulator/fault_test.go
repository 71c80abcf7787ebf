package simulator

import (
	"math"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// An effect looks at a plant that has one fault, beside a twin that has none.
type effect func(t *testing.T, faulty, twin *Plant) bool

// differs says that a quantity of a unit is further from the twin's than a distance.
func differs(id fleet.ControllerID, g fleet.Group, q fleet.Quantity, by float64) effect {
	return func(t *testing.T, faulty, twin *Plant) bool {
		a, _ := frame(t, faulty, id, g).Number(q)
		b, _ := frame(t, twin, id, g).Number(q)
		return math.Abs(a-b) > by
	}
}

func outcome(id fleet.ControllerID, want fleet.Outcome) effect {
	return func(t *testing.T, faulty, _ *Plant) bool { return frame(t, faulty, id, fleet.Fast).Outcome == want }
}

func inStage(id fleet.ControllerID, want fleet.Stage) effect {
	return func(t *testing.T, faulty, _ *Plant) bool {
		s, _ := frame(t, faulty, id, fleet.Fast).Stage()
		return s == want
	}
}

func all(effects ...effect) effect {
	return func(t *testing.T, faulty, twin *Plant) bool {
		for _, e := range effects {
			if !e(t, faulty, twin) {
				return false
			}
		}
		return true
	}
}

// Every fault must be visible in what is polled, and gone once it is cleared: a scenario that changes nothing would
// prove a detector that does nothing.
func TestEveryFaultShowsAndGoes(t *testing.T) {
	const u0, u1, u2, u4 = "mill/r0/u0", "mill/r0/u1", "mill/r0/u2", "mill/r0/u4"
	effects := map[FaultKind]struct {
		fault Fault
		shows effect
	}{
		CutLink:          {Fault{On: "mill/r0/u3>u4"}, all(differs(u4, fleet.Fast, fleet.LinkGood, 200), differs(u4, fleet.Normal, fleet.BatteryTemperature, 2))},
		IntermittentLink: {Fault{On: "mill/r0/u3>u4", Burst: time.Hour, Gap: time.Hour}, differs(u4, fleet.Fast, fleet.LinkBad, 50)},
		NoisyLink:        {Fault{On: "mill/r0/u3>u4"}, differs(u4, fleet.Fast, fleet.LinkBad, 30)},
		DeadUnit:         {Fault{On: u4}, outcome(u4, fleet.Silent)},
		SilentUnit:       {Fault{On: u4}, outcome(u4, fleet.Silent)},
		SlowUnit: {Fault{On: u4}, func(t *testing.T, faulty, _ *Plant) bool {
			return frame(t, faulty, u4, fleet.Fast).Took > delayIfUnsaid
		}},
		RefusingUnit:     {Fault{On: u4}, outcome(u4, fleet.Refused)},
		GarblingUnit:     {Fault{On: u4}, outcome(u4, fleet.Garbled)},
		FrozenRegisters:  {Fault{On: u4}, differs(u4, fleet.Fast, fleet.LinkGood, 200)},
		RegisterHole:     {Fault{On: u4, Point: "bank_current"}, unreadable(u4, "bank_current")},
		GroundFault:      {Fault{On: u4}, all(inStage(u1, fleet.Fault), inStage(u4, fleet.Fault), not(inStage(u2, fleet.Fault)))},
		WrongTripSetting: {Fault{On: u2}, differs(u2, fleet.Slow, fleet.RoleTrips, 0.5)},
		SensorUnplugged:  {Fault{On: u0}, all(differs(u0, fleet.Normal, fleet.SensorPresent, 0.5), differs(u4, fleet.Normal, fleet.BatteryTemperature, 2))},
		SensorOffset:     {Fault{On: u0}, differs(u4, fleet.Normal, fleet.BatteryTemperature, 9)},
		SensorStuck: {Fault{On: u0}, func(t *testing.T, faulty, _ *Plant) bool {
			r := faulty.rings[0]
			before := r.units[0].sensed
			r.bank.temperature += 3
			faulty.Advance(faulty.Now().Add(time.Minute))
			return r.units[0].sensed == before
		}},
		SecondReference: {Fault{On: u2, By: 6}, all(differs(u2, fleet.Slow, fleet.RoleTemperatureReference, 0.5), differs(u4, fleet.Normal, fleet.BatteryTemperature, 5))},
		OwnSensor:       {Fault{On: u4}, all(differs(u4, fleet.Normal, fleet.BatteryTemperature, 9), not(differs(u2, fleet.Normal, fleet.BatteryTemperature, 1)))},
		CoordinationOff: {Fault{On: u4}, all(differs(u4, fleet.Slow, fleet.RingEnabled, 0.5), differs(u4, fleet.Normal, fleet.BatteryTemperature, 2))},
		WrongSetpoint:   {Fault{On: u4}, differs(u4, fleet.Slow, fleet.SetpointAbsorption, 1)},
		SameAddress:     {Fault{On: u4, Like: "u2"}, differs(u4, fleet.Slow, fleet.RingAddress, 1)},
		StuckStage: {Fault{On: u4}, func(t *testing.T, faulty, _ *Plant) bool {
			r := faulty.rings[0]
			before := r.units[4].stage
			r.start(&r.units[0], fleet.Float, r.now)
			faulty.Advance(faulty.Now().Add(time.Minute))
			return r.units[0].stage == fleet.Float && r.units[4].stage == before
		}},
		EqualizeStarted: {Fault{On: u4}, all(inStage(u4, fleet.Equalize), inStage(u0, fleet.Equalize))},
		SiteOutage:      {Fault{On: "mill"}, all(outcome(u0, fleet.Unreachable), outcome(u4, fleet.Unreachable))},
	}
	for _, kind := range FaultKinds() {
		t.Run(string(kind), func(t *testing.T) {
			tt, ok := effects[kind]
			if !ok {
				t.Fatal("no test knows what this fault shows")
			}
			tt.fault.Kind = kind
			faulty, _ := charged(t, 5, Options{Seed: 1})
			twin, _ := charged(t, 5, Options{Seed: 1})
			if tt.shows(t, faulty, twin) {
				t.Fatal("it shows before it is set")
			}
			if kind == SensorStuck || kind == StuckStage { // these two looked by acting
				faulty, _ = charged(t, 5, Options{Seed: 1})
			}
			if err := faulty.Inject(tt.fault); err != nil {
				t.Fatal(err)
			}
			for _, p := range []*Plant{faulty, twin} {
				p.Advance(p.Now().Add(4 * time.Minute))
			}
			if !tt.shows(t, faulty, twin) {
				t.Error("nothing shows four minutes after it was set")
			}
			cleared(t, faulty, tt.fault)
		})
	}
}

// cleared ends a fault and checks that the settings are as they were.
func cleared(t *testing.T, p *Plant, f Fault) {
	t.Helper()
	if f.Kind == EqualizeStarted {
		if len(p.Faults()) != 0 {
			t.Error("an equalize stands as a fault although it ends by itself")
		}
		return
	}
	if !p.Clear(f.Kind, f.On) || p.Clear(f.Kind, f.On) || len(p.Faults()) != 0 {
		t.Errorf("clearing left %v", p.Faults())
	}
	fresh, _ := charged(t, 5, Options{Seed: 1})
	for id, u := range p.units {
		if want := fresh.units[id].settings; u.settings != want {
			t.Errorf("%s is set %+v afterwards, want %+v", id, u.settings, want)
		}
		if u.toggles != (toggles{}) || u.dev.answers != (answers{}) || u.dev.hole != -1 || u.dev.frozen || u.offset != 0 || u.own || u.sensor != sensorFine {
			t.Errorf("%s keeps something of the fault: %+v %+v", id, u.toggles, u.dev.answers)
		}
		l, was := p.rings[0].links[u.index], link{}
		if l.cut != was.cut || l.noise != 0 || l.burst != 0 || l.lost {
			t.Errorf("the link into %s keeps something of the fault: %+v", id, l)
		}
	}
	if p.sites["mill"].out || p.rings[0].grounded != 0 {
		t.Error("the site or the ring keeps something of the fault")
	}
}

func not(e effect) effect {
	return func(t *testing.T, faulty, twin *Plant) bool { return !e(t, faulty, twin) }
}

func unreadable(id fleet.ControllerID, point string) effect {
	return func(t *testing.T, faulty, _ *Plant) bool {
		f := frame(t, faulty, id, fleet.Normal)
		bad := 0
		for i, p := range f.Layout.Points {
			if f.Values[i].Quality == fleet.Unreadable {
				if p.Name != point {
					t.Errorf("%s is unreadable as well", p.Name)
				}
				bad++
			}
		}
		return bad == 1
	}
}

// A unit that was dead starts anew: its counters and its uptime say so, and its energy counter does not.
func TestADeadUnitStartsAnew(t *testing.T) {
	p, r := charged(t, 5, Options{Seed: 1})
	u := &r.units[4]
	energy := u.lifetime
	if err := p.Inject(Fault{Kind: DeadUnit, On: fleet.Subject(u.c.ID)}); err != nil {
		t.Fatal(err)
	}
	p.Advance(p.Now().Add(10 * time.Minute))
	if r.feeds[4].current != 0 || r.links[0].heard > r.now-9*time.Minute {
		t.Errorf("dead it gives %g A and was heard %s ago", r.feeds[4].current, r.now-r.links[0].heard)
	}
	p.Clear(DeadUnit, fleet.Subject(u.c.ID))
	p.Advance(p.Now().Add(30 * time.Second))
	up, _ := frame(t, p, u.c.ID, fleet.Normal).Number(fleet.Uptime)
	good, _ := frame(t, p, u.c.ID, fleet.Fast).Number(fleet.LinkGood)
	if up != 30 || good > 30 || u.lifetime != energy {
		t.Errorf("uptime %g s, %g good frames, energy %g J; want 30, at most 30, %g", up, good, u.lifetime, energy)
	}
}

// A turbine that is unloaded runs away; its input voltage shows it (references, 4.4: 1.6 to 2 times and more).
func TestAnUnloadedTurbineRunsAway(t *testing.T) {
	p, r := charged(t, 5, Options{Seed: 1})
	for _, f := range []Fault{{Kind: WrongTripSetting, On: "mill/r0/u2"}, {Kind: GroundFault, On: "mill/r0/u4"}} {
		if err := p.Inject(f); err != nil {
			t.Fatal(err)
		}
	}
	loaded, _ := frame(t, p, "mill/r0/u2", fleet.Normal).Number(fleet.InputVoltage)
	p.Advance(p.Now().Add(time.Minute))
	if r.units[2].stage != fleet.Fault {
		t.Fatalf("the turbine's unit is in stage %s", r.units[2].stage)
	}
	if away, _ := frame(t, p, "mill/r0/u2", fleet.Normal).Number(fleet.InputVoltage); away < 1.5*loaded {
		t.Errorf("input at %g V without load, %g V with; want half as much again", away, loaded)
	}
	p.Clear(GroundFault, "mill/r0/u4")
	p.Advance(p.Now().Add(time.Minute))
	if s := r.units[4].stage; s == fleet.Fault || s == fleet.Idle {
		t.Errorf("a minute after the fault was mended and the units were reset: %s", s)
	}
}

func TestInjectRefusesWhatCannotBe(t *testing.T) {
	p, _ := charged(t, 5, Options{Seed: 1})
	tests := []struct {
		fault Fault
		want  string
	}{
		{Fault{Kind: "cut-lnk", On: "mill/r0/u0>u1"}, `unknown fault "cut-lnk"; did you mean "cut-link"?`},
		{Fault{Kind: CutLink, On: "mill/r0/u0>u2"}, `the fleet has no link "mill/r0/u0>u2", where cut-link could be; did you mean "mill/r0/u0>u1"?`},
		{Fault{Kind: DeadUnit, On: "mill/r0/u9"}, `the fleet has no controller "mill/r0/u9", where dead-unit could be; did you mean "mill/r0/u0"?`},
		{Fault{Kind: SiteOutage, On: "mil"}, `the fleet has no site "mil", where site-outage could be; did you mean "mill"?`},
		{Fault{Kind: SensorOffset, On: "mill/r0/u3"}, "sensor-offset on mill/r0/u3: it has no battery sensor: it is not a temperature reference"},
		{Fault{Kind: OwnSensor, On: "mill/r0/u0"}, "own-sensor on mill/r0/u0: it is the temperature reference; sensor-offset makes its sensor wrong"},
		{Fault{Kind: SecondReference, On: "mill/r0/u0"}, "second-reference on mill/r0/u0: it is a temperature reference already"},
		{Fault{Kind: RegisterHole, On: "mill/r0/u0", Point: "bank_curr"}, `register-hole on mill/r0/u0: its map has no point "bank_curr"; did you mean "bank_current"?`},
		{Fault{Kind: SameAddress, On: "mill/r0/u0", Like: "u0"}, `same-address on mill/r0/u0: like must name another controller of the ring, not "u0"; did you mean "u1"?`},
		{Fault{Kind: WrongSetpoint, On: "mill/r0/u0", Setpoint: "flot"}, `wrong-setpoint on mill/r0/u0: unknown setpoint "flot"; did you mean "float"?`},
		{Fault{Kind: WrongSetpoint, On: "mill/r0/u0", By: -40}, "wrong-setpoint on mill/r0/u0: by is -40 V, more than half of the setpoint's 57.6 V"},
		{Fault{Kind: NoisyLink, On: "mill/r0/u0>u1", Share: 2}, "noisy-link on mill/r0/u0>u1: share is 2; it must be above 0, and 1 at most"},
		{Fault{Kind: IntermittentLink, On: "mill/r0/u0>u1", Burst: time.Millisecond}, "intermittent-link on mill/r0/u0>u1: burst is 1ms and gap 3m0s; both must be 1s or more"},
	}
	for _, tt := range tests {
		if err := p.Inject(tt.fault); err == nil || err.Error() != tt.want {
			t.Errorf("Inject(%v)\ngot  %v\nwant %s", tt.fault, err, tt.want)
		}
	}
	if err := p.Inject(Fault{Kind: CutLink, On: "mill/r0/u0>u1"}); err != nil {
		t.Fatal(err)
	}
	if err := p.Inject(Fault{Kind: CutLink, On: "mill/r0/u0>u1"}); err == nil || !strings.Contains(err.Error(), "set already") {
		t.Errorf("setting it twice gave %v", err)
	}
	alone := newPlant(t, rings(1, 1), Options{})
	if err := alone.Inject(Fault{Kind: GroundFault, On: "mill/r0/u0"}); err == nil || !strings.Contains(err.Error(), "no unit of mill/r0 has a fault detector") {
		t.Errorf("a ground fault that nothing detects: %v", err)
	}
	night := newPlant(t, rings(1, 2), Options{Start: time.Date(2026, 6, 21, 1, 0, 0, 0, time.UTC)})
	if err := night.Inject(Fault{Kind: EqualizeStarted, On: "mill/r0/u0"}); err == nil || !strings.Contains(err.Error(), "does not charge") {
		t.Errorf("an equalize in the dark: %v", err)
	}
}
