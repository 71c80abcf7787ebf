package simulator

import (
	"fmt"
	"hash/fnv"
	"math"
	"reflect"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/testdata"
)

// load returns a shipped map.
func loadMap(t testing.TB, name string) *registermap.Map {
	t.Helper()
	data, err := testdata.Files.ReadFile("maps/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	m, err := registermap.Parse(name+".yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// rings returns a fleet of rings of n controllers each: PV with a hydro and a wind turbine in between, as the demo has.
func rings(count, n int) *fleet.Fleet {
	site := fleet.Site{ID: "mill", Zone: time.UTC}
	for r := range count {
		ring := fleet.Ring{
			ID:   fleet.RingID(fmt.Sprintf("mill/r%d", r)),
			Bank: fleet.Bank{Chemistry: fleet.FloodedLead, Nominal: 48, Cells: 24, Capacity: 160 * 3600 * float64(n), TemperatureSlope: -0.005},
		}
		for i := range n {
			c := fleet.Controller{
				ID:  fleet.ControllerID(fmt.Sprintf("%s/u%d", ring.ID, i)),
				Map: "larkspur", Source: fleet.PV, Rated: 3000, Host: "127.0.0.1:0", Unit: 1,
			}
			switch i % 5 {
			case 0:
				c.Intended.TemperatureReference = i == 0
			case 1:
				c.Intended.FaultDetector = i == 1
			case 2:
				c.Source, c.Rated, c.Intended.OnSharedFault = fleet.Hydro, 1500, fleet.Stay
			case 3:
				c.Source, c.Rated, c.Map, c.Intended.OnSharedFault = fleet.Wind, 2000, "teasel", fleet.Stay
			}
			ring.Controllers = append(ring.Controllers, c)
		}
		site.Rings = append(site.Rings, ring)
	}
	return &fleet.Fleet{Sites: []fleet.Site{site}}
}

func allMaps(t testing.TB) map[string]*registermap.Map {
	return map[string]*registermap.Map{"larkspur": loadMap(t, "larkspur"), "teasel": loadMap(t, "teasel"), "sedge": loadMap(t, "sedge")}
}

func newPlant(t testing.TB, f *fleet.Fleet, o Options) *Plant {
	t.Helper()
	p, err := New(f, allMaps(t), o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// frame takes a frame that must be there.
func frame(t testing.TB, p *Plant, id fleet.ControllerID, g fleet.Group) *fleet.Frame {
	t.Helper()
	var f fleet.Frame
	if !p.Frame(id, g, &f) {
		t.Fatalf("no frame of %s %s", id, g)
	}
	return &f
}

// hash sums up every register that every unit shows in frames.
func hash(t testing.TB, p *Plant) string {
	t.Helper()
	h := fnv.New64a()
	for _, r := range p.rings {
		for i := range r.units {
			for _, g := range fleet.Groups {
				var f fleet.Frame
				if p.Frame(r.units[i].c.ID, g, &f) {
					fmt.Fprintln(h, f.Controller, f.Group, f.At, f.Outcome, f.Values)
				}
			}
		}
	}
	return fmt.Sprintf("%x", h.Sum64())
}

// A person who reports what a scenario did must be able to give the seed and have it done again; and looking must
// change nothing.
func TestSameSeedSameRegisters(t *testing.T) {
	run := func(seed uint64, look bool) string {
		p := newPlant(t, rings(2, 5), Options{Seed: seed})
		if err := p.Inject(Fault{Kind: IntermittentLink, On: "mill/r0/u1>u2"}); err != nil {
			t.Fatal(err)
		}
		for range 100 {
			p.Advance(p.Now().Add(time.Minute))
			if look {
				hash(t, p)
			}
		}
		return hash(t, p)
	}
	first := run(7, false)
	if again := run(7, true); again != first {
		t.Errorf("the same seed gave %s, then %s after somebody looked", first, again)
	}
	if other := run(8, false); other == first {
		t.Error("another seed gave the same registers")
	}
}

// One more site in the fleet file must change nothing at the others.
func TestRingsAreIndependent(t *testing.T) {
	one, two := newPlant(t, rings(1, 5), Options{Seed: 3}), newPlant(t, rings(2, 5), Options{Seed: 3})
	for _, p := range []*Plant{one, two} {
		p.Advance(p.Start().Add(2 * time.Hour))
	}
	a, b := frame(t, one, "mill/r0/u4", fleet.Normal), frame(t, two, "mill/r0/u4", fleet.Normal)
	if !reflect.DeepEqual(a.Values, b.Values) {
		t.Errorf("alone %v\nin company %v", a.Values, b.Values)
	}
}

func TestFramesCarryWhatThePlantDoes(t *testing.T) {
	p := newPlant(t, rings(1, 5), Options{Seed: 1})
	p.Advance(p.Start().Add(10 * time.Minute))
	u := p.units["mill/r0/u4"]
	f := frame(t, p, u.c.ID, fleet.Normal)
	if f.Outcome != fleet.Answered || !f.At.Equal(p.Now()) {
		t.Errorf("outcome %s at %s, want answered at %s", f.Outcome, f.At, p.Now())
	}
	volts, _ := f.Number(fleet.BatteryVoltage)
	if want := u.ring.feeds[4].terminal; math.Abs(volts-want) > 0.1 { // the register counts tenths
		t.Errorf("battery voltage %g, want %g", volts, want)
	}
	if s, _ := frame(t, p, u.c.ID, fleet.Fast).Stage(); s != u.stage {
		t.Errorf("stage %s, want %s", s, u.stage)
	}
	if v, _ := frame(t, p, u.c.ID, fleet.Slow).Number(fleet.RingAddress); v != 5 {
		t.Errorf("ring address %g, want 5", v)
	}
	var none fleet.Frame
	if p.Frame("mill/r0/nobody", fleet.Fast, &none) {
		t.Error("a frame of nobody")
	}
}

func TestNewRefusesAMapThatIsNotLoaded(t *testing.T) {
	_, err := New(rings(1, 2), nil, Options{})
	if want := `simulating mill/r0/u0: its map "larkspur" is not loaded`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// Whoever asks before the first second has passed must see a battery, not 0 V: a device that chooses its scale by what
// it measures would choose the wrong one.
func TestVoltagesAreThereFromTheStart(t *testing.T) {
	f := rings(1, 6)
	p := newPlant(t, f, Options{})
	var frame fleet.Frame
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		p.Frame(c.ID, fleet.Normal, &frame)
		if v, ok := frame.Number(fleet.BatteryVoltage); !ok || v < 40 {
			t.Errorf("%s reads %v V at the start, %v", c.ID, v, ok)
		}
		return true
	})
}
