package simulator

import (
	"fmt"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// Bench returns a fleet to try a register map on: one site with one ring of n controllers (1 to 200) that all have the
// map, at 127.0.0.1 on n ports from first on. The bank has the highest usual voltage that the map finds plausible. The
// map's name in the fleet is its file.
func Bench(m *registermap.Map, n, first int) (*fleet.Fleet, error) {
	if n < 1 || n > 200 {
		return nil, fmt.Errorf("making a ring of %d controllers: it must be from 1 to 200", n)
	}
	if first < 1 || first+n-1 > 65535 {
		return nil, fmt.Errorf("serving %d controllers from port %d on: ports go from 1 to 65535", n, first)
	}
	nominal := usualVoltage(m)
	ring := fleet.Ring{
		ID: "bench/ring", Name: "Ring",
		Bank: fleet.Bank{
			Chemistry: fleet.FloodedLead, Nominal: nominal, Cells: int(nominal / 2),
			Capacity: float64(160*n) * 3600, TemperatureSlope: leadAcid.slope,
		},
	}
	for i := range n {
		name := fmt.Sprintf("unit-%d", i+1)
		address := i + 1
		c := fleet.Controller{
			ID: fleet.ControllerID("bench/ring/" + name), Name: name,
			Host: fmt.Sprintf("127.0.0.1:%d", first+i), Unit: fleet.DefaultUnit, Map: m.File,
			Source: fleet.PV, Rated: 60 * nominal,
			Intended: fleet.Settings{
				RingAddress: &address, OnSharedFault: fleet.Trip,
				TemperatureReference: i == 0, FaultDetector: i == min(1, n-1),
			},
		}
		ring.Controllers = append(ring.Controllers, c)
	}
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: 2 * time.Second, Normal: 10 * time.Second, Slow: 5 * time.Minute},
		Sites:   []fleet.Site{{ID: "bench", Name: "Bench", Zone: time.UTC, Rings: []fleet.Ring{ring}}},
	}, nil
}

// usualVoltage returns a bank voltage that the map finds plausible while it is charged, equalize included.
func usualVoltage(m *registermap.Map) float64 {
	highest := 80.0
	for i, pt := range m.Points() {
		if pt.Quantity == fleet.BatteryVoltage {
			highest = min(highest, m.Points()[i].Highest)
		}
	}
	for _, v := range []float64{48, 36, 24} {
		if v*1.35 <= highest {
			return v
		}
	}
	return 12
}
