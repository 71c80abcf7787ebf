package diagnosis_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

var start = time.Date(2025, time.April, 2, 6, 0, 0, 0, time.UTC)

const poll = 10 * time.Second

// A bench is a ring on a table: what each unit reports is set by hand.
type bench struct {
	t     *testing.T
	ring  *diagnosis.Ring
	fleet fleet.Ring
	now   time.Time
	stage []fleet.Stage
	heat  []float64
	mute  []bool
	good  []uint64
	bad   []uint64
	each  uint64 // good frames that come between two polls

	tripped []bool // who reports a ground fault; nil: the map does not tell
}

func layoutOf(all ...fleet.Quantity) *fleet.Layout {
	var points []fleet.Point
	for _, q := range all {
		points = append(points, fleet.Point{Name: q.String(), Quantity: q, Mul: 1, Div: 1, Bits: 16})
	}
	return fleet.NewLayout(points)
}

var (
	layout     = layoutOf(fleet.QuantityStage, fleet.BatteryTemperature, fleet.LinkGood, fleet.LinkBad)
	flagLayout = layoutOf(fleet.QuantityStage, fleet.BatteryTemperature, fleet.LinkOK)
)

// tripLayout is the usual one with ground faults.
func tripLayout() *fleet.Layout {
	l := layoutOf(fleet.QuantityStage, fleet.BatteryTemperature, fleet.LinkGood, fleet.LinkBad, fleet.Faults)
	l.Points[4].Flags = []fleet.Name{{Code: 0, Word: fleet.GroundFault}}
	return l
}

func newBench(t *testing.T, n int, open bool) *bench {
	b := &bench{t: t, now: start, each: 10}
	b.fleet = fleet.Ring{ID: "mill/north", Open: open, HopTime: 500 * time.Millisecond}
	for i := range n {
		b.fleet.Controllers = append(b.fleet.Controllers, fleet.Controller{
			ID: fleet.ControllerID(fmt.Sprintf("mill/north/u%d", i)), Name: fmt.Sprintf("Unit %d", i),
			Intended: fleet.Settings{TemperatureReference: i == 0, FaultDetector: i == 0, OnSharedFault: fleet.Trip},
		})
		b.stage, b.heat = append(b.stage, fleet.Absorption), append(b.heat, 12)
		b.mute, b.good, b.bad = append(b.mute, false), append(b.good, 65000), append(b.bad, 3)
	}
	b.ring = diagnosis.New(&b.fleet, fleet.Periods{Fast: poll, Normal: poll, Slow: poll})
	return b
}

// wait polls everybody for a time. counted says whether the map has counters.
func (b *bench) wait(d time.Duration, counted bool) {
	for end := b.now.Add(d); b.now.Before(end); b.now = b.now.Add(poll) {
		for i := range b.stage {
			b.good[i] = (b.good[i] + b.each) & 0xffff
			f := fleet.Frame{Controller: b.fleet.Controllers[i].ID, Group: fleet.Fast, At: b.now, Outcome: fleet.Answered, Layout: layout}
			value := func(v uint64) fleet.Value {
				return fleet.Value{Number: float64(v), Raw: v, Quality: fleet.Good}
			}
			f.Values = []fleet.Value{value(uint64(b.stage[i])), {Number: b.heat[i], Raw: uint64(b.heat[i]), Quality: fleet.Good}, value(b.good[i]), value(b.bad[i])}
			if !counted {
				f.Values[2], f.Values[3] = fleet.Value{}, fleet.Value{}
			}
			if b.tripped != nil {
				f.Layout, f.Values = tripLayout(), append(f.Values, value(map[bool]uint64{true: 1}[b.tripped[i]]))
			}
			if b.mute[i] {
				f.Outcome, f.Layout, f.Values = fleet.Silent, nil, nil
			}
			b.ring.Put(&f)
		}
	}
}

// float lets the units go into float, and back to bulk and absorption an hour later.
func (b *bench) float(units ...int) {
	for _, i := range units {
		b.stage[i] = fleet.Float
	}
	b.wait(time.Hour, false)
	for i := range b.stage {
		b.stage[i] = fleet.Absorption
	}
	b.wait(time.Hour, false)
}

// What a person would say of a ring of six after three calls, without a counter.
func TestCallsAloneNameThePlace(t *testing.T) {
	type float []int
	for _, c := range []struct {
		name  string
		calls []float
		want  string
	}{
		{"all follow", []float{{0, 1, 2, 3, 4, 5}, {0, 1, 2, 3, 4, 5}, {0, 1, 2, 3, 4, 5}}, "nothing"},
		{"the cable into 3 is dead", []float{{5, 0, 1, 2}, {4, 5, 0, 1, 2}, {1, 2}}, "mill/north/u2>u3"},
		{"unit 3 takes no part", []float{{0, 1, 2, 4, 5}, {4, 5, 0, 1, 2}, {2, 4, 5, 0, 1}}, "mill/north/u3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 6, false)
			b.wait(10*time.Minute, false)
			for _, call := range c.calls {
				b.float(call...)
			}
			d := b.ring.Diagnose()
			got := "nothing"
			if len(d.Suspects) > 0 && d.Suspects[0].Probability > 0.5 {
				got = string(d.Suspects[0].Link) + string(d.Suspects[0].Unit)
			}
			if got != c.want || c.want == "nothing" && d.Sound < 0.5 {
				t.Errorf("Diagnose = %+v, want %s first", d, c.want)
			}
			if got == "mill/north/u2>u3" && !strings.Contains(strings.Join(d.Suspects[0].Evidence, " "), "got as far as Unit 2") {
				t.Errorf("the evidence does not say how far the calls got: %q", d.Suspects[0].Evidence)
			}
		})
	}
}

// Counters of 16 bits that wrap, and a cable whose frames are damaged: found, with the share and since when.
func TestCountersNameTheCable(t *testing.T) {
	b := newBench(t, 4, false)
	b.wait(30*time.Minute, true)
	broke := b.now
	for range 90 {
		b.bad[2] += 2
		b.wait(poll, true)
	}
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].Link != "mill/north/u1>u2" || d.Suspects[0].Probability < 0.9 || d.Suspects[0].How == "dead" {
		t.Fatalf("Diagnose = %+v, want a noisy cable u1>u2 first", d)
	}
	if d.Swap == "" {
		t.Error("no swap was named")
	}
	w := b.ring.Why(d.Suspects[0].Link)
	if !w.Changed || w.Low.After(broke.Add(2*time.Minute)) || w.High.Before(broke.Add(-2*time.Minute)) {
		t.Errorf("Why = %+v, want a change about %s", w, broke)
	}
}

// A cable that carries nothing from the first frame on is dead, though its own rate was never learned.
func TestDeadFromTheBeginning(t *testing.T) {
	b := newBench(t, 5, false)
	for range 180 {
		b.good[3] -= b.each // it stands still
		b.wait(poll, true)
	}
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].Link != "mill/north/u2>u3" || d.Suspects[0].How != "dead" || d.Suspects[0].Probability < 0.9 {
		t.Errorf("Diagnose = %+v, want a dead cable u2>u3", d)
	}
}

// A unit that no longer answers is dead; its cables are not blamed.
func TestDeadUnit(t *testing.T) {
	b := newBench(t, 5, false)
	b.wait(20*time.Minute, true)
	b.mute[1] = true
	for range 60 {
		b.good[2] -= b.each
		b.wait(poll, true)
	}
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].What != diagnosis.DeadUnit || d.Suspects[0].Unit != "mill/north/u1" {
		t.Errorf("Diagnose = %+v, want unit u1 dead", d)
	}
}

// Units that fall silent together are cut off by what they are reached by: none of them is called dead for that.
func TestSilentTogetherIsNotDead(t *testing.T) {
	b := newBench(t, 6, false)
	b.wait(20*time.Minute, false)
	b.mute[2], b.mute[3], b.mute[4] = true, true, true
	b.wait(5*time.Minute, false)
	for _, s := range b.ring.Diagnose().Suspects {
		if s.What == diagnosis.DeadUnit && s.Probability > 0.2 {
			t.Errorf("%s is given %.2f", s.Name, s.Probability)
		}
	}
}

// Behind a cut cable everybody keeps an old temperature.
func TestTemperatureNamesThePlace(t *testing.T) {
	b := newBench(t, 8, false)
	for k := range 12 {
		for i := range b.heat {
			if i < 5 || k < 4 {
				b.heat[i] = 12 + float64(k)
			}
		}
		b.wait(5*time.Minute, false)
	}
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].Link != "mill/north/u4>u5" || d.Suspects[0].Probability < 0.5 {
		t.Errorf("Diagnose = %+v, want the cable u4>u5 first", d)
	}
}

// Before anything has travelled the ring there is nothing to go by, and it says so.
func TestNotEnough(t *testing.T) {
	b := newBench(t, 5, false)
	b.wait(10*time.Minute, false)
	d := b.ring.Diagnose()
	if d.Enough || !strings.Contains(d.Needs, "next float or equalize call") {
		t.Errorf("Diagnose = %+v, want it to say that it needs a call", d)
	}
	if d := diagnosis.New(&fleet.Ring{}, fleet.Periods{}).Diagnose(); d.Enough {
		t.Errorf("an empty ring: %+v", d)
	}
}

// A call is put together from what polls show: who began, in which order, who did not follow, and the time for a hop.
func TestCallIsReconstructed(t *testing.T) {
	b := newBench(t, 5, false)
	b.fleet.HopTime = 0
	b.wait(10*time.Minute, false)
	for range 3 {
		for _, i := range []int{3, 4, 0, 1} { // a poll apart: hops of 10 s
			b.stage[i] = fleet.Float
			b.wait(poll, false)
		}
		b.float(3, 4, 0, 1)
	}
	calls := b.ring.Calls()
	if len(calls) != 3 {
		t.Fatalf("%d calls, want 3", len(calls))
	}
	c := calls[0]
	var order []string
	for _, s := range c.Steps {
		order = append(order, s.Unit.Slug())
	}
	if got := strings.Join(order, " "); got != "u3 u4 u0 u1" || c.Starter.Slug() != "u3" || c.Sure < 0.9 {
		t.Errorf("order %s, started by %s (%.2f), want u3 u4 u0 u1 by u3", got, c.Starter, c.Sure)
	}
	if len(c.Missing) != 1 || c.Missing[0].Slug() != "u2" {
		t.Errorf("missing %v, want u2", c.Missing)
	}
	if h := b.ring.HopTime(); h.Calls != 3 || h.Low > 10*time.Second || h.High < 10*time.Second || h.High > 15*time.Second {
		t.Errorf("HopTime = %+v, want bounds about 10 s", h)
	}
}

// Odd frames are dropped and nothing panics: unknown controllers, old and doubled frames, layouts that do not fit.
func TestOddFrames(t *testing.T) {
	b := newBench(t, 3, true)
	b.wait(5*time.Minute, true)
	id := b.fleet.Controllers[1].ID
	for _, f := range []fleet.Frame{
		{},
		{Controller: "mill/north/ghost", At: b.now},
		{Controller: id, At: start, Outcome: fleet.Answered, Layout: layout},
		{Controller: id, At: b.now.Add(time.Hour), Outcome: fleet.Answered},
		{Controller: id, Group: 9, At: b.now},
		{Controller: id, At: b.now.Add(time.Hour), Outcome: fleet.Answered, Layout: layout, Values: make([]fleet.Value, 1)},
	} {
		b.ring.Put(&f)
	}
	if got := b.ring.Newest(); !got.Equal(b.now.Add(-poll)) {
		t.Errorf("Newest = %s, want %s: an odd frame was believed", got, b.now.Add(-poll))
	}
}
