package simulator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ringwarden/fleet"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %g, want %g within %g", what, got, want, within)
	}
}

// The sun's place decides when panels wake. Reda and Andreas, Solar Position Algorithm for Solar Radiation
// Applications (NREL/TP-560-34302), appendix: zenith 50.11162 and azimuth 194.34024 degrees on 17 October 2003 at
// 19:30:30 UTC, 39.742476 N, 105.1786 W (values from memory). Its zenith has refraction in it, 0.016 degrees.
func TestSunStandsWhereNRELComputesIt(t *testing.T) {
	sun := sunAt(time.Date(2003, 10, 17, 19, 30, 30, 0, time.UTC), 39.742476, -105.1786)
	degrees := 180 / math.Pi
	near(t, "elevation", math.Asin(sun.up)*degrees, 90-50.11162-0.016, 0.03)
	near(t, "azimuth", math.Mod(math.Atan2(sun.east, sun.north)*degrees+360, 360), 194.34024, 0.03)
	near(t, "length", math.Sqrt(sun.dot(sun)), 1, 1e-12)
}

// V(T) = V25 + n·k·(T − 25). The rows: Wikipedia, Float voltage (about −5 mV/°C per cell); Battery University BU-403
// and BU-410 (−3 mV/°C: 2.27 V at 35 °C, 2.33 V at 15 °C); the others computed from the formula.
func TestTargetsFollowTemperature(t *testing.T) {
	tests := []struct {
		source                            string
		volts25, cells, slope, temp, want float64
	}{
		{"Wikipedia: 13.4 V is 13.25 V at 30 °C", 13.4, 6, -0.005, 30, 13.25},
		{"BU-403: 2.30 V is 2.27 V at 35 °C", 2.30, 1, -0.003, 35, 2.27},
		{"BU-403: 2.30 V is 2.33 V at 15 °C", 2.30, 1, -0.003, 15, 2.33},
		{"formula, 24 V bank in the cold", 28.8, 12, -0.005, 15, 29.40},
		{"formula, 48 V bank in the cold", 57.6, 24, -0.005, 10, 59.40},
		{"formula, 48 V float in the heat", 54.0, 24, -0.004, 40, 52.56},
		{"no compensation for lithium", 56.0, 16, 0, 40, 56.0},
	}
	for _, tt := range tests {
		u := unit{settings: settings{absorptionVolts: tt.volts25, floatVolts: tt.volts25 - 1, equalizeVolts: tt.volts25 + 1, slope: tt.slope}, used: tt.temp}
		for stage, extra := range map[fleet.Stage]float64{fleet.Bulk: 0, fleet.Absorption: 0, fleet.Float: -1, fleet.Equalize: 1} {
			u.stage = stage
			near(t, tt.source+" in "+stage.String(), u.target(tt.cells), tt.want+extra, 1e-9)
		}
	}
}

// What a wrong sensor costs: 24 cells × 5 mV × 10 °C = 1.2 V at the terminals (the formula above), at every unit that
// uses it.
func TestAWrongSensorCostsVolts(t *testing.T) {
	p := newPlant(t, rings(1, 5), Options{Seed: 1, Weather: Clear})
	r := p.rings[0]
	p.Advance(p.Start().Add(50 * time.Minute))
	before := r.feeds[4].terminal
	if r.units[4].stage != fleet.Absorption {
		t.Fatalf("the bank is in stage %s and not held at its absorption target", r.units[4].stage)
	}
	if err := p.Inject(Fault{Kind: SensorOffset, On: "mill/r0/u0", By: 10}); err != nil {
		t.Fatal(err)
	}
	p.Advance(p.Now().Add(time.Minute))
	near(t, "loss at a unit four hops away", before-r.feeds[4].terminal, 1.2, 0.05)
}

// The sum of all currents over time must be in the bank, or in the gas: energy and coverage are computed from the same
// readings downstream.
func TestCoulombsAreConserved(t *testing.T) {
	p := newPlant(t, rings(1, 8), Options{Seed: 2, Charge: 0.5})
	r := p.rings[0]
	start, sum, loads := r.bank.charge, 0.0, 0.0
	for range 2 * 86400 {
		p.Advance(p.Now().Add(step))
		into := 0.0
		for i := range r.feeds {
			into += r.feeds[i].current
		}
		sum += into
		loads += into - r.bank.current
		if r.bank.voltage < 40 || r.bank.voltage > 64 {
			t.Fatalf("bank at %g V", r.bank.voltage)
		}
	}
	near(t, "charge kept and gassed", r.bank.charge-start+r.bank.gassed, sum-loads, 1e-6*sum)
	if r.bank.gassed < 0 || loads <= 0 || sum <= 0 {
		t.Errorf("gassed %g C, loads %g C, sources %g C: each must be positive", r.bank.gassed, loads, sum)
	}
}

// Whatever the sources and the load are, the voltage that is found must balance the currents, and no source may give
// more than it has.
func TestTheBankBalances(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBank(fleet.Bank{Cells: 24, Capacity: 3600 * rapid.Float64Range(10, 5000).Draw(rt, "Ah")}, rapid.Float64Range(0.01, 1).Draw(rt, "charge"), 0)
		feeds := make([]feed, rapid.IntRange(1, 40).Draw(rt, "units"))
		for i := range feeds {
			feeds[i] = feed{
				limit:  rapid.Float64Range(0, 200).Draw(rt, "limit"),
				target: rapid.Float64Range(40, 64).Draw(rt, "target"),
				lead:   rapid.Float64Range(1e-4, 1e-2).Draw(rt, "lead"), droop: 1e-3,
			}
		}
		_, most := b.resistances()
		load := rapid.Float64Range(0, 0.3*b.rest()/most).Draw(rt, "load")
		b.settle(feeds, load)
		sum := 0.0
		for i, f := range feeds {
			sum += f.current
			if f.current < 0 || f.current > f.limit || f.current > 0 && f.terminal > f.target+1e-9 {
				rt.Errorf("feed %d gives %g A of %g at %g V, target %g V", i, f.current, f.limit, f.terminal, f.target)
			}
		}
		charging, drawing := b.resistances()
		into := (b.voltage - b.rest()) / charging
		if into < 0 {
			into = (b.voltage - b.rest()) / drawing
		}
		if math.Abs(sum-load-into) > 1e-3 {
			rt.Errorf("sources %g A, load %g A, bank %g A at %g V", sum, load, into, b.voltage)
		}
	})
}

// Interruptions last as the two-state chain says: share of time p/(p+r), mean length 1/r. For p = 0.01 and r = 0.2
// that is 0.047619 and 5 (Gilbert-Elliott, worked in NTIA TM-23-565's repository).
func TestInterruptionsLastAsGilbertAndElliottSay(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	l := link{wired: true, burst: 5 * time.Second, gap: 100 * time.Second}
	const seconds = 2_000_000
	lost, bursts := 0, 0
	for range seconds {
		was := l.lost
		l.frame(0, true, rng)
		if l.lost {
			lost++
			if !was {
				bursts++
			}
		}
	}
	near(t, "share of time", float64(lost)/seconds, 0.047619, 0.001)
	near(t, "mean length", float64(lost)/float64(bursts), 5, 0.1)
}

// A healthy cable has a few odd bad frames in a thousand, and a cut one brings nothing at all.
func TestLinkCounts(t *testing.T) {
	count := func(l link, sending bool) (good, bad uint64) {
		rng := rand.New(rand.NewPCG(3, 4))
		l.wired = true
		for i := range 100_000 {
			l.frame(time.Duration(i)*step, sending, rng)
		}
		return l.good, l.bad
	}
	good, bad := count(link{odd: 0.003}, true)
	near(t, "bad of a healthy cable", float64(bad), 300, 60) // 3.5 standard deviations
	if good+bad != 100_000 {
		t.Errorf("%d frames counted of 100000", good+bad)
	}
	_, bad = count(link{odd: 0.003, noise: 0.2}, true)
	near(t, "bad of a noisy cable", float64(bad), 20_000, 450)
	for name, n := range map[string]link{"cut": {odd: 0.003, cut: true}} {
		if good, bad := count(n, true); good+bad != 0 {
			t.Errorf("%s: %d frames", name, good+bad)
		}
	}
	if good, bad := count(link{odd: 0.003}, false); good+bad != 0 {
		t.Errorf("%d frames of a sender that is dead", good+bad)
	}
}

func TestWindPowerFollowsTheCube(t *testing.T) {
	for _, tt := range []struct{ speed, want float64 }{{2.9, 0}, {5.5, 0.125}, {11, 1}, {25, 1}} {
		s := sky{speed: tt.speed}
		near(t, "share", s.rotor(1), tt.want, 1e-9)
	}
}

// A June day at 52 degrees gives a rated kW about 5 to 7.5 kWh under a clear sky (common practice, no source), and
// nothing at night.
func TestAClearDayYields(t *testing.T) {
	p := newPlant(t, rings(1, 1), Options{Seed: 1, Weather: Clear, Start: time.Date(2026, 6, 21, 0, 0, 0, 0, time.UTC)})
	u := &p.rings[0].units[0]
	var joules float64
	for range 86400 {
		p.Advance(p.Now().Add(step))
		if p.Now().Hour() < 3 && u.available > 0 {
			t.Fatalf("%g W at %s", u.available, p.Now())
		}
		joules += u.available
	}
	yield := joules / 3600 / u.rated
	if yield < 5 || yield > 7.5 {
		t.Errorf("yield %.2f kWh per rated kW, want 5 to 7.5", yield)
	}
}

// Whatever the fleet file leaves out of a bank is filled in so that it fits the rest.
func TestBanksAreFilledIn(t *testing.T) {
	tests := []struct {
		name            string
		bank            fleet.Bank
		cells, ampHours float64
		absorption      float64
	}{
		{"nothing said", fleet.Bank{}, 12, 2000, 28.8},
		{"nominal alone", fleet.Bank{Nominal: 48}, 24, 1000, 57.6},
		{"cells alone", fleet.Bank{Cells: 6}, 6, 4000, 14.4},
		{"lithium", fleet.Bank{Chemistry: fleet.Lithium, Nominal: 51.2}, 16, 10 * 4800 / 51.2, 56},
		{"all said", fleet.Bank{Nominal: 48, Cells: 24, Capacity: 800 * 3600}, 24, 800, 57.6},
	}
	for _, tt := range tests {
		b := newBank(tt.bank, 0.5, 4800)
		near(t, tt.name+": cells", b.cells, tt.cells, 0)
		near(t, tt.name+": Ah", b.capacity/3600, tt.ampHours, 1e-9)
		near(t, tt.name+": absorption volts", b.absorption*b.cells, tt.absorption, 1e-9)
	}
	if b := newBank(fleet.Bank{Chemistry: fleet.Lithium}, 0.5, 0); b.slope != 0 {
		t.Error("lithium has a temperature slope")
	}
}
