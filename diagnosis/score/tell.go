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
			ID: fleet.ControllerID(fmt.Sprintf("mill/north/u%03d", i)), Name: fmt.Sprintf("Unit %d", i), Source: fleet.PV,
			Intended: fleet.Settings{OnSharedFault: fleet.Trip, TemperatureReference: i == 0, FaultDetector: i == 0},
		}
		r.Controllers = append(r.Controllers, c)
	}
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: s.Period, Normal: s.Period, Slow: s.Period},
		Rules:   leftOut(),
		Sites:   []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{r}}},
	}
}

// unmodelled are the kinds that are about hours of absorption and days of charge. The days of these histories are
// shorter than that, so that what they would raise says nothing; simulated weeks hold them to account instead.
var unmodelled = []fleet.Kind{"absorption-brief", "absorption-endless", "equalize-overlong", "equalize-overdue", "no-full-charge", "yield-behind"}

func leftOut() fleet.Rules {
	var rules fleet.Rules
	for _, k := range unmodelled {
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

func (s *Story) layout() *fleet.Layout {
	number := func(name string, q fleet.Quantity) fleet.Point {
		return fleet.Point{Name: name, Quantity: q, Unit: q.Unit(), Mul: 1, Div: 1, Bits: 32}
	}
	temperature := number("temperature", fleet.BatteryTemperature)
	temperature.Form, temperature.Div, temperature.Bits = fleet.FormSigned, 10, 16
	faults := number("faults", fleet.Faults)
	faults.Flags = []fleet.Name{{Code: 0, Word: fleet.GroundFault}}
	points := []fleet.Point{number("stage", fleet.QuantityStage), temperature, number("uptime", fleet.Uptime), faults}
	if s.Roles {
		points = append(points, number("reference", fleet.RoleTemperatureReference), number("detector", fleet.RoleFaultDetector))
	}
	switch s.Map {
	case Counters16, Counters32:
		good, bad := number("good", fleet.LinkGood), number("bad", fleet.LinkBad)
		good.Counter, bad.Counter = true, true
		if s.Map == Counters16 {
			good.Bits, bad.Bits = 16, 16
		}
		points = append(points, good, bad)
	case Flag:
		ok := number("heard", fleet.LinkOK)
		ok.Bits = 1
		points = append(points, ok)
	}
	return fleet.NewLayout(points)
}

// Play tells the story: put gets every frame, which is only valid until it returns, and tick the time after each poll of
// all. A tick that returns false ends the story.
func (s *Story) Play(put func(*fleet.Frame), tick func(now time.Time) bool) {
	w := newWorld(s)
	layout := s.layout()
	f := fleet.Frame{Layout: layout, Values: make([]fleet.Value, len(layout.Points))}
	ids := make([]fleet.ControllerID, s.Units)
	for i := range ids {
		ids[i] = s.Controller(i)
	}
	for at := time.Duration(0); at <= s.Lasts; at += s.Period {
		if w.now < s.At && s.At <= at && s.Fault != Healthy {
			w.until(s.At - 1)
			w.flowAll(s.At)
		}
		w.until(at)
		w.share()
		w.flowAll(at)
		for i := range w.units {
			f.Controller, f.Group = ids[i], fleet.Fast
			f.At = beginning.Add(at)
			f.Late, f.Took = time.Duration(w.rng.IntN(200))*time.Millisecond, 30*time.Millisecond
			w.answer(i, layout, &f)
			put(&f)
		}
		if !tick(beginning.Add(at)) {
			return
		}
	}
}

// flowAll counts the frames on every cable up to an instant.
func (w *world) flowAll(at time.Duration) {
	n := len(w.units)
	for i := range w.links {
		if w.s.Open && i == 0 {
			w.links[i].fine = false
			continue
		}
		from, to := &w.units[(i+n-1)%n], &w.units[i]
		w.links[i].flow(w, !from.dead && at >= from.down && at >= to.down, at)
	}
}

// answer writes what a unit answers.
func (w *world) answer(i int, layout *fleet.Layout, f *fleet.Frame) {
	u := &w.units[i]
	if u.dead || w.now < u.down || w.rng.Float64() < w.s.Missing {
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
		return whole(uint64(u.stage))
	case fleet.Uptime:
		return whole(uint64((w.now - u.booted) / time.Second))
	case fleet.Faults:
		return truth(i == 0 && w.trips)
	case fleet.BatteryTemperature:
		tenths := int64(math.Round(10 * u.heard))
		return fleet.Value{Number: float64(tenths) / 10, Raw: uint64(tenths), Quality: fleet.Good}
	case fleet.RoleTemperatureReference, fleet.RoleFaultDetector:
		return truth(i == 0)
	case fleet.LinkGood:
		return whole(l.good)
	case fleet.LinkBad:
		return whole(l.bad)
	case fleet.LinkOK:
		return truth(l.fine)
	}
	return fleet.Value{}
}
