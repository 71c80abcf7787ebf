package simulator

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// perfect makes every cable of a ring carry every frame, so that instants can be computed.
func perfect(r *ring) {
	for i := range r.links {
		r.links[i].odd = 0
	}
}

// charged returns a plant with one ring of n units that has charged for some minutes under a clear sky.
func charged(t testing.TB, n int, o Options) (*Plant, *ring) {
	t.Helper()
	o.Weather = Clear
	p := newPlant(t, rings(1, n), o)
	perfect(p.rings[0])
	p.Advance(p.Start().Add(15 * time.Minute))
	for i := range p.rings[0].units {
		if s := p.rings[0].units[i].stage; s != fleet.Bulk && s != fleet.Absorption {
			t.Fatalf("unit %d is in stage %s and cannot follow a call", i, s)
		}
	}
	return p, p.rings[0]
}

// The detectors allow hops times hop time: the unit k hops away must hear exactly then, round the closing cable too.
func TestUnitKHopsAwayFollowsAfterKHops(t *testing.T) {
	for _, hop := range []time.Duration{100 * time.Millisecond, 700 * time.Millisecond, 3 * time.Second} {
		p, r := charged(t, 8, Options{Seed: 1, Hop: hop})
		const origin = 5
		at := r.now
		r.start(&r.units[origin], fleet.Float, at)
		p.Advance(p.Now().Add(8*hop + time.Second))
		for k := range 8 {
			u := &r.units[(origin+k)%8]
			if u.stage != fleet.Float || u.since != at+time.Duration(k)*hop {
				t.Errorf("hop %s: %d hops away: %s since %s, want float since %s", hop, k, u.stage, u.since-at, time.Duration(k)*hop)
			}
		}
	}
}

// The fleet file's hop time is the longest that a hop takes there: the simulator must not exceed it.
func TestHopsTakeNoLongerThanTheFleetSays(t *testing.T) {
	f := rings(1, 3)
	f.Sites[0].Rings[0].HopTime = 200 * time.Millisecond
	if got := newPlant(t, f, Options{Hop: time.Second}).rings[0].hop; got != 200*time.Millisecond {
		t.Errorf("hop %s, want 200ms", got)
	}
}

// followers lists who is in a stage, by index.
func followers(r *ring, s fleet.Stage) string {
	var list []string
	for i := range r.units {
		if r.units[i].stage == s {
			list = append(list, fmt.Sprint(i))
		}
	}
	return strings.Join(list, " ")
}

// Who hears a call when something is wrong: this is what "which cable" is later told from.
func TestHowFarACallGoes(t *testing.T) {
	tests := []struct {
		name   string
		origin int
		faults []Fault
		open   bool
		want   string
	}{
		{"all well", 2, nil, false, "0 1 2 3 4 5"},
		{"cut cable before the origin", 2, []Fault{{Kind: CutLink, On: "mill/r0/u1>u2"}}, false, "0 1 2 3 4 5"},
		{"cut cable behind the origin", 2, []Fault{{Kind: CutLink, On: "mill/r0/u2>u3"}}, false, "2"},
		{"cut cable farther on", 2, []Fault{{Kind: CutLink, On: "mill/r0/u4>u5"}}, false, "2 3 4"},
		{"cut closing cable", 2, []Fault{{Kind: CutLink, On: "mill/r0/u5>u0"}}, false, "2 3 4 5"},
		{"open ring", 2, nil, true, "2 3 4 5"},
		{"dead unit", 2, []Fault{{Kind: DeadUnit, On: "mill/r0/u4"}}, false, "2 3"},
		{"coordination off", 2, []Fault{{Kind: CoordinationOff, On: "mill/r0/u4"}}, false, "0 1 2 3 5"},
		{"coordination off at the origin", 2, []Fault{{Kind: CoordinationOff, On: "mill/r0/u2"}}, false, "2"},
		{"stuck stage", 2, []Fault{{Kind: StuckStage, On: "mill/r0/u4"}}, false, "0 1 2 3 5"},
		{"another bears the origin's address", 2, []Fault{{Kind: SameAddress, On: "mill/r0/u4", Like: "u2"}}, false, "2 3"},
		{"silence on the network alone", 2, []Fault{{Kind: SilentUnit, On: "mill/r0/u4"}}, false, "0 1 2 3 4 5"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := rings(1, 6)
			f.Sites[0].Rings[0].Open = tt.open
			p := newPlant(t, f, Options{Seed: 1, Weather: Clear})
			r := p.rings[0]
			perfect(r)
			p.Advance(p.Start().Add(15 * time.Minute))
			for _, fault := range tt.faults {
				if err := p.Inject(fault); err != nil {
					t.Fatal(err)
				}
			}
			r.start(&r.units[tt.origin], fleet.Float, r.now)
			p.Advance(p.Now().Add(20 * time.Second))
			if got := followers(r, fleet.Float); got != tt.want {
				t.Errorf("in float: %s, want %s", got, tt.want)
			}
		})
	}
}

// A unit that wakes while the ring floats must learn of it, also when the unit that started the call sleeps.
func TestWhoWakesLearnsOfTheCall(t *testing.T) {
	p, r := charged(t, 5, Options{Seed: 1})
	late, origin := &r.units[4], &r.units[0]
	late.enter(fleet.Idle, r.now)
	late.awake, late.share = 0, 0 // no input
	r.start(origin, fleet.Float, r.now)
	p.Advance(p.Now().Add(2 * time.Minute))
	if got := followers(r, fleet.Float); got != "0 1 2 3" {
		t.Fatalf("in float: %s, want all but the one asleep", got)
	}
	origin.awake, origin.share = 0, 0
	p.Advance(p.Now().Add(2 * time.Minute))
	if origin.stage != fleet.Idle {
		t.Fatalf("the origin is in stage %s, want idle", origin.stage)
	}
	late.share, late.awake = 1, awakeAfter
	p.Advance(p.Now().Add(30 * time.Second))
	if late.stage != fleet.Float {
		t.Errorf("the one that woke is in stage %s, want float", late.stage)
	}
}

// An odd bad frame must lose no call: a message is in several frames in a row.
func TestACallSurvivesBadFrames(t *testing.T) {
	p, r := charged(t, 8, Options{Seed: 1})
	for i := range r.links {
		r.links[i].noise = 0.2
	}
	r.start(&r.units[0], fleet.Float, r.now)
	p.Advance(p.Now().Add(30 * time.Second))
	if got := followers(r, fleet.Float); got != "0 1 2 3 4 5 6 7" {
		t.Errorf("in float: %s, want all", got)
	}
}

// An equalize runs at all, ends by its timer, and float follows at all.
func TestEqualizeTravelsAndEndsInFloat(t *testing.T) {
	p, r := charged(t, 5, Options{Seed: 1})
	if err := p.Inject(Fault{Kind: EqualizeStarted, On: "mill/r0/u1"}); err != nil {
		t.Fatal(err)
	}
	p.Advance(p.Now().Add(30 * time.Second))
	if got := followers(r, fleet.Equalize); got != "0 1 2 3 4" {
		t.Fatalf("in equalize: %s, want all", got)
	}
	p.Advance(p.Now().Add(time.Hour + time.Minute))
	if got := followers(r, fleet.Float); got != "0 1 2 3 4" {
		t.Errorf("an hour later in float: %s, want all", got)
	}
}

// The stage machine, transition by transition: what the unit sees for so many seconds, and where that leads.
func TestStageMachine(t *testing.T) {
	const target = 57.6
	held := feed{limit: 40, current: 20, target: target, terminal: target}
	full := feed{limit: 40, current: 40, target: target, terminal: 55}
	tests := []struct {
		name    string
		from    fleet.Stage
		feed    feed
		change  func(*unit)
		seconds int
		want    fleet.Stage
	}{
		{"off starts", fleet.Off, full, nil, 1, fleet.Idle},
		{"idle without input", fleet.Idle, full, func(u *unit) { u.awake = awakeAfter - 1 }, 100, fleet.Idle},
		{"idle with input", fleet.Idle, full, nil, 1, fleet.Bulk},
		{"bulk below the target", fleet.Bulk, full, nil, 10000, fleet.Bulk},
		{"bulk touches the target", fleet.Bulk, held, nil, absorbsAfter - 1, fleet.Bulk},
		{"bulk reaches the target", fleet.Bulk, held, nil, absorbsAfter, fleet.Absorption},
		{"absorption before its time", fleet.Absorption, held, nil, firstAbsorbs - 1, fleet.Absorption},
		{"absorption after its time", fleet.Absorption, held, nil, firstAbsorbs, fleet.Float},
		{"absorption counts only at the target", fleet.Absorption, full, nil, 2 * firstAbsorbs, fleet.Absorption},
		{"float stays", fleet.Float, held, nil, 100000, fleet.Float},
		{"float with a sagging bank", fleet.Float, full, func(u *unit) { u.low = rebulkAfter }, 1, fleet.Bulk},
		{"float with a bank not yet sagging", fleet.Float, full, func(u *unit) { u.low = rebulkAfter - 1 }, 1, fleet.Float},
		{"absorption with a sagging bank", fleet.Absorption, full, func(u *unit) { u.low = rebulkAfter }, 1, fleet.Bulk},
		{"equalize before its time", fleet.Equalize, held, nil, equalizeTime - 1, fleet.Equalize},
		{"equalize after its time", fleet.Equalize, held, nil, equalizeTime, fleet.Float},
		{"equalize with a sagging bank", fleet.Equalize, full, func(u *unit) { u.low = rebulkAfter }, 1, fleet.Equalize},
		{"input gone", fleet.Float, held, func(u *unit) { u.awake = 0 }, 1, fleet.Idle},
		{"fault stays", fleet.Fault, held, nil, 100000, fleet.Fault},
		{"detector with a ground fault", fleet.Float, held, func(u *unit) { u.detector = true; u.ring.grounded = 1 }, 1, fleet.Fault},
		{"ground fault at a ring whose detector is another", fleet.Float, held, func(u *unit) { u.ring.grounded = 1 }, 1, fleet.Float},
		{"stuck", fleet.Bulk, held, func(u *unit) { u.stuck = true }, 100, fleet.Bulk},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := newPlant(t, rings(1, 1), Options{})
			u := &p.rings[0].units[0]
			u.enter(tt.from, 0)
			u.awake, u.left = awakeAfter, firstAbsorbs
			if tt.change != nil {
				tt.change(u)
			}
			for i := range tt.seconds {
				u.step(&tt.feed, time.Duration(i+1)*step)
			}
			if u.stage != tt.want {
				t.Errorf("after %d s: %s, want %s", tt.seconds, u.stage, tt.want)
			}
		})
	}
}

// A healthy day visits idle, bulk, absorption and float, and at every call to float all that are awake have followed a
// few seconds later.
func TestAHealthyDay(t *testing.T) {
	for _, n := range []int{3, 8} {
		p := newPlant(t, rings(1, n), Options{Seed: 1, Weather: Clear, Start: time.Date(2026, 6, 21, 3, 0, 0, 0, time.UTC), Charge: 0.8})
		r := p.rings[0]
		visited := map[fleet.Stage]bool{}
		calls, apart := uint32(0), 0
		for range 86400 {
			p.Advance(p.Now().Add(step))
			if r.calls != calls {
				calls, apart = r.calls, -2*n
			}
			floating, charging := 0, 0
			for i := range r.units {
				visited[r.units[i].stage] = true
				switch r.units[i].stage {
				case fleet.Float:
					floating++
				case fleet.Bulk, fleet.Absorption:
					charging++
				}
			}
			if floating == 0 || charging == 0 {
				apart = min(apart, 0)
			} else if apart++; apart > 10 {
				t.Fatalf("ring of %d: at %s %d float while %d charge", n, p.Now(), floating, charging)
			}
		}
		for _, s := range []fleet.Stage{fleet.Idle, fleet.Bulk, fleet.Absorption, fleet.Float} {
			if !visited[s] {
				t.Errorf("ring of %d: nobody was in %s all day", n, s)
			}
		}
		if visited[fleet.Fault] || visited[fleet.Equalize] || visited[fleet.Off] {
			t.Errorf("ring of %d: a stage that nothing called for: %v", n, visited)
		}
	}
}

// A 16-bit counter of frames wraps after eighteen hours; the detectors must get to see that.
func TestCountersWrap(t *testing.T) {
	p := newPlant(t, rings(1, 2), Options{Seed: 1})
	l := &p.rings[0].links[1]
	read := func() (register, true float64) {
		v, _ := frame(t, p, "mill/r0/u1", fleet.Fast).Number(fleet.LinkGood)
		return v, float64(l.good)
	}
	l.good = 65530
	p.Advance(p.Now().Add(4 * time.Second))
	if reg, is := read(); reg != is {
		t.Errorf("before the wrap: %g, want %g", reg, is)
	}
	p.Advance(p.Now().Add(20 * time.Second))
	if reg, is := read(); is < 65536 || reg != math.Mod(is, 65536) {
		t.Errorf("after the wrap: %g, want %g modulo 65536", reg, is)
	}
	l.good = 3*65536 - 1
	if reg, _ := read(); reg > 65535 {
		t.Errorf("register shows %g", reg)
	}
}

// A shared temperature that goes stale falls back to 25 °C, unit by unit as the time-out passes, and comes back.
func TestSharedTemperatureGoesStale(t *testing.T) {
	p, r := charged(t, 5, Options{Seed: 1})
	used := func(i int) float64 {
		v, _ := frame(t, p, r.units[i].c.ID, fleet.Normal).Number(fleet.BatteryTemperature)
		return v
	}
	for i := range r.units {
		near(t, fmt.Sprintf("unit %d", i), used(i), r.bank.temperature, 0.5)
	}
	if err := p.Inject(Fault{Kind: CutLink, On: "mill/r0/u2>u3"}); err != nil {
		t.Fatal(err)
	}
	p.Advance(p.Now().Add(senseGone - 20*time.Second))
	near(t, "before the time-out", used(3), r.bank.temperature, 0.5)
	p.Advance(p.Now().Add(40 * time.Second))
	for i, want := range []float64{r.bank.temperature, r.bank.temperature, r.bank.temperature, fallback, fallback} {
		near(t, fmt.Sprintf("cut, unit %d", i), used(i), want, 0.5)
	}
	p.Clear(CutLink, "mill/r0/u2>u3")
	p.Advance(p.Now().Add(15 * time.Second))
	near(t, "mended", used(4), r.bank.temperature, 0.5)
}

// When messages pile up, the bag stays bounded and in order.
func TestMailbagIsBounded(t *testing.T) {
	b := newMailbag(3)
	most := mailForOne + 3*mailPerUnit
	for i := range 10 * most {
		b.push(message{due: time.Duration(i)}, most)
	}
	if b.n != most || len(b.messages) != most {
		t.Errorf("%d messages in room for %d, want %d", b.n, len(b.messages), most)
	}
	for i := range most {
		m, ok := b.pop(time.Hour)
		if !ok || m.due != time.Duration(i) {
			t.Fatalf("message %d: %v %v", i, m.due, ok)
		}
	}
	if _, ok := b.pop(time.Hour); ok {
		t.Error("a message more than was put in")
	}
	for i := range 3 * most { // round the circle
		b.push(message{due: time.Duration(i)}, most)
		if m, ok := b.pop(time.Hour); !ok || m.due != time.Duration(i) {
			t.Fatalf("round %d: %v %v", i, m.due, ok)
		}
	}
}
