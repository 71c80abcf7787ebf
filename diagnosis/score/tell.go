package score

import (
	"fmt"
	"math"
	"time"

	"ringwarden/fleet"
)

var beginning = time.Date(2025, time.March, 3, 5, 0, 0, 0, time.UTC)

// Fleet returns the fleet file of the story. Unit 0 has the temperature sensor and the ground-fault detector.
func (s *Story) Fleet() *fleet.Fleet {
	r := fleet.Ring{ID: "mill/north", Name: "North", Open: s.Open}
	if s.Told {
		r.HopTime = s.Hop
	}
	for i := range s.Units {
		c := fleet.Controller{
			ID: s.Controller(i), Name: fmt.Sprintf("Unit %d", i), Source: fleet.PV,
			Intended: fleet.Settings{OnSharedFault: fleet.Trip, TemperatureReference: i == 0, FaultDetector: i == 0},
		}
		if s.Turns(i) {
			c.Source, c.Intended.OnSharedFault = fleet.Wind, fleet.Stay
		}
		r.Controllers = append(r.Controllers, c)
	}
	periods := fleet.Periods{Fast: s.Period, Normal: s.Period, Slow: s.Period}
	if s.Plant != nil {
		periods.Normal, periods.Slow = s.Plant.Normal, s.Plant.Slow
		s.Plant.write(&r)
	}
	return &fleet.Fleet{
		Periods: periods,
		Rules:   s.leftOut(),
		Sites:   []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{r}}},
	}
}

// ofDays are the kinds that are about hours of absorption and days of charge. Where the days of a story are short, what
// they would raise says nothing.
var ofDays = []fleet.Kind{"absorption-brief", "absorption-endless", "equalize-overlong", "equalize-overdue", "no-full-charge", "yield-behind"}

// unmodelled are the kinds that no story is long enough for.
var unmodelled = []fleet.Kind{"equalize-overdue"}

func (s *Story) leftOut() fleet.Rules {
	var rules fleet.Rules
	kinds := ofDays
	if s.Plant != nil {
		kinds = unmodelled
	}
	for _, k := range kinds {
		yes := true
		rules = append(rules, fleet.Rule{Kind: k, Disabled: &yes})
	}
	return rules
}

// Cable returns the id of the cable into a unit.
func (s *Story) Cable(to int) fleet.LinkID {
	return fleet.LinkID(fmt.Sprintf("mill/north/u%03d>u%03d", (to+s.Units-1)%s.Units, to))
}

// Controller returns the id of a unit.
func (s *Story) Controller(i int) fleet.ControllerID {
	return fleet.ControllerID(fmt.Sprintf("mill/north/u%03d", i))
}

// point returns a point of a quantity that is read as a whole number, to be multiplied by step.
func point(name string, q fleet.Quantity, step float64) fleet.Point {
	p := fleet.Point{Name: name, Quantity: q, Unit: q.Unit(), Mul: 1, Div: 1, Bits: 32, Counter: q.Counter()}
	if step < 1 {
		p.Form, p.Div = fleet.FormSigned, math.Round(1/step)
	}
	return p
}

// layouts returns what is read in each poll group; nil: nothing.
func (s *Story) layouts() [3]*fleet.Layout {
	faults := point("faults", fleet.Faults, 1)
	faults.Flags = []fleet.Name{{Code: 0, Word: fleet.GroundFault}}
	fast := []fleet.Point{
		point("stage", fleet.QuantityStage, 1), point("temperature", fleet.BatteryTemperature, 0.1), point("uptime", fleet.Uptime, 1), faults,
	}
	roles := []fleet.Point{point("reference", fleet.RoleTemperatureReference, 1), point("detector", fleet.RoleFaultDetector, 1)}
	if s.Roles && s.Plant == nil {
		fast = append(fast, roles...)
	}
	switch s.Map {
	case Counters16, Counters32:
		good, bad := point("good", fleet.LinkGood, 1), point("bad", fleet.LinkBad, 1)
		if s.Map == Counters16 {
			good.Bits, bad.Bits = 16, 16
		}
		fast = append(fast, good, bad)
	case Flag:
		ok := point("heard", fleet.LinkOK, 1)
		ok.Bits = 1
		fast = append(fast, ok)
	}
	all := [3]*fleet.Layout{fleet.Fast: fleet.NewLayout(fast)}
	if p := s.Plant; p != nil {
		all[fleet.Normal] = fleet.NewLayout([]fleet.Point{
			point("volts", fleet.BatteryVoltage, p.Step), point("amperes", fleet.BatteryCurrent, 0.1), point("watts", fleet.OutputPower, 1),
		})
		all[fleet.Slow] = fleet.NewLayout(append(roles, p.settings()...))
	}
	return all
}

// A Truth is what the frames of a story need not show.
type Truth struct {
	Absent []Absence     // who could not be heard for a while, and why that was no chance
	Shown  time.Duration // when the fault had its first effect, after the story's beginning; 0: it had none
}

// A Listener is told a story.
type Listener struct {
	Put  func(*fleet.Frame)       // gets every frame of the polls, which is only valid until it returns
	Tick func(now time.Time) bool // gets the time after each poll of all; false ends the story
	// Look, unless nil, is asked after each poll and then at each tick of a daemon's clock until it says that it has no
	// wish and expects none. It returns the units that are to be read at once; what they answer goes to Again.
	Look  func(now time.Time) (units []int, more bool)
	Again func(*fleet.Frame)
}

// Play tells the story.
func (s *Story) Play(to Listener) Truth {
	w := newWorld(s)
	layouts := s.layouts()
	f := fleet.Frame{Values: make([]fleet.Value, 16)}
	ids := make([]fleet.ControllerID, s.Units)
	for i := range ids {
		ids[i] = s.Controller(i)
	}
	periods := [3]time.Duration{fleet.Fast: s.Period}
	if s.Plant != nil {
		periods[fleet.Normal], periods[fleet.Slow] = s.Plant.Normal, s.Plant.Slow
	}
	for at := time.Duration(0); at <= s.Lasts; at += s.Period {
		w.reach(at)
		if w.plant != nil {
			w.plant.step(w, s.Period)
		}
		w.share()
		w.flowAll(at)
		for i := range w.units {
			f.Controller, f.At = ids[i], beginning.Add(at)
			for _, g := range fleet.Groups {
				if layouts[g] == nil || at%periods[g] != 0 {
					continue
				}
				f.Group = g
				f.Late, f.Took = time.Duration(w.rng.IntN(200))*time.Millisecond, 30*time.Millisecond
				w.answer(i, layouts[g], &f)
				to.Put(&f)
			}
		}
		if !to.Tick(beginning.Add(at)) {
			break
		}
		w.between(at, layouts[fleet.Fast], &to)
	}
	return Truth{Absent: w.absent, Shown: w.shown}
}

// flowAll counts the frames on every cable up to an instant.
func (w *world) flowAll(at time.Duration) {
	for i := range w.links {
		if w.s.Open && i == 0 {
			w.links[i].fine = false
			continue
		}
		w.links[i].flow(w, w.sends(i, at), at)
	}
}

// answer writes what a unit answers.
func (w *world) answer(i int, layout *fleet.Layout, f *fleet.Frame) {
	u := &w.units[i]
	if u.dead || w.now < u.down || w.cutOff(i) || w.rng.Float64() < w.s.Missing {
		f.Outcome, f.Layout, f.Values = fleet.Silent, nil, f.Values[:0]
		return
	}
	f.Outcome, f.Layout, f.Values = fleet.Answered, layout, f.Values[:len(layout.Points)]
	for p := range layout.Points {
		f.Values[p] = w.value(i, &layout.Points[p])
	}
}

func (w *world) value(i int, p *fleet.Point) fleet.Value {
	u, l := &w.units[i], &w.links[i]
	whole := func(n uint64) fleet.Value {
		n &= 1<<p.Bits - 1
		return fleet.Value{Number: float64(n), Raw: n, Quality: fleet.Good}
	}
	truth := func(b bool) fleet.Value {
		if b {
			return whole(1)
		}
		return whole(0)
	}
	switch p.Quantity {
	case fleet.QuantityStage:
		return whole(uint64(u.shown(w.now)))
	case fleet.Uptime:
		return whole(uint64((w.now - u.booted) / time.Second))
	case fleet.Faults:
		return truth(i == 0 && w.trips)
	case fleet.BatteryTemperature:
		return stepped(u.heard, p)
	case fleet.RoleTemperatureReference, fleet.RoleFaultDetector:
		return truth(i == 0)
	case fleet.LinkGood:
		return whole(l.good)
	case fleet.LinkBad:
		return whole(l.bad)
	case fleet.LinkOK:
		return truth(l.fine)
	case fleet.RoleTrips:
		return truth(w.plant.units[i].trips)
	case fleet.RingEnabled:
		return truth(true)
	}
	return stepped(w.plant.reading(w, i, p.Quantity), p)
}

// stepped returns a value in the steps in which the device tells it.
func stepped(v float64, p *fleet.Point) fleet.Value {
	n := int64(math.Round(v * p.Div))
	return fleet.Value{Number: float64(n) / p.Div, Raw: uint64(n), Quality: fleet.Good}
}
