package alerts_test

import (
	"fmt"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// benchPlant is a fleet of one ring and the frames of one instant.
func benchPlant(n int) (*fleet.Fleet, []fleet.Frame) {
	r := fleet.Ring{ID: "mill/north", Name: "North"}
	frames := make([]fleet.Frame, n)
	layout := benchLayout()
	for i := range n {
		c := fleet.Controller{ID: fleet.ControllerID(fmt.Sprintf("mill/north/c%03d", i)), Source: fleet.PV}
		c.Intended = fleet.Settings{TemperatureReference: i == 0, FaultDetector: i == 1, OnSharedFault: fleet.Trip}
		r.Controllers = append(r.Controllers, c)
		frames[i] = fleet.Frame{Controller: c.ID, Group: fleet.Fast, Outcome: fleet.Answered, Layout: layout, Values: make([]fleet.Value, len(layout.Points))}
		for j := range frames[i].Values {
			frames[i].Values[j] = fleet.Value{Raw: 20, Number: 20, Quality: fleet.Good}
		}
		i, _ := layout.Index(fleet.QuantityStage)
		frames[i].Values[i] = fleet.Value{Raw: 3, Number: float64(fleet.Bulk), Quality: fleet.Good}
	}
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: 2 * time.Second, Normal: 10 * time.Second, Slow: time.Minute},
		Sites:   []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{r}}},
	}, frames
}

// benchLayout has ten points, as the frame of a fast or normal group has.
func benchLayout() *fleet.Layout {
	var points []fleet.Point
	for _, q := range []fleet.Quantity{
		fleet.QuantityStage, fleet.BatteryVoltage, fleet.BatteryCurrent, fleet.BatteryTemperature, fleet.InputVoltage,
		fleet.OutputPower, fleet.LinkGood, fleet.LinkBad, fleet.Faults, fleet.Uptime,
	} {
		p := fleet.Point{Name: q.String(), Quantity: q, Mul: 1, Div: 1, Bits: 32}
		if q == fleet.Faults {
			p.Flags = []fleet.Name{{Code: 0, Word: fleet.GroundFault}}
		}
		points = append(points, p)
	}
	return fleet.NewLayout(points)
}

// BenchmarkReadings takes readings in and judges them at each poll. Stages and temperatures move and counters grow, so
// that no detector is spared its work.
func BenchmarkReadings(b *testing.B) {
	for _, n := range []int{5, 200} {
		b.Run(fmt.Sprintf("controllers=%d", n), func(b *testing.B) {
			f, frames := benchPlant(n)
			e := alerts.New(f)
			at := func(q fleet.Quantity) int { i, _ := frames[0].Layout.Index(q); return i }
			good, temp, up, stage, faults := at(fleet.LinkGood), at(fleet.BatteryTemperature), at(fleet.Uptime), at(fleet.QuantityStage), at(fleet.Faults)
			now := epoch
			e.Advance(now)
			b.ReportAllocs()
			polls, raised := uint64(0), 0
			for b.Loop() {
				polls++
				now = now.Add(2 * time.Second)
				for i := range frames {
					v := frames[i].Values
					v[good] = fleet.Value{Raw: 2 * polls, Number: float64(2 * polls), Quality: fleet.Good}
					v[up] = v[good]
					celsius := 20 + polls/100%4
					v[temp] = fleet.Value{Raw: celsius, Number: float64(celsius), Quality: fleet.Good}
					s := fleet.Bulk + fleet.Stage(polls/200%3)
					v[stage] = fleet.Value{Raw: uint64(s), Number: float64(s), Quality: fleet.Good}
					v[faults] = fleet.Value{Raw: 2, Number: 2, Quality: fleet.Good}
					frames[i].At = now
					e.Put(&frames[i])
				}
				raised += len(e.Advance(now))
			}
			if raised > 0 {
				b.Fatalf("a healthy ring raised %d changes, such as %+v", raised, e.Alarms()[0])
			}
			readings := float64(polls) * float64(n) * float64(len(frames[0].Values)) / b.Elapsed().Seconds()
			b.ReportMetric(readings, "readings/s")
			fmt.Printf("bar alerts-readings = %.3g readings/s (want >= 1e6) controllers=%d\n", readings, n)
		})
	}
}
