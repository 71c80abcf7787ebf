package alerts

import (
	"time"

	"ringwarden/fleet"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

func plainPoint(bits uint8) *fleet.Point {
	return &fleet.Point{Name: "n", Mul: 1, Div: 1, Bits: bits}
}

func countedOf(p *fleet.Point, raw uint64) counted {
	return counted{value: &fleet.Value{Raw: raw, Number: p.Number(raw), Quality: fleet.Good}, point: p}
}

// pair is a site with a ring of two controllers, alder the temperature reference, polled every ten seconds.
func pair() *fleet.Fleet {
	controller := func(slug, name string) fleet.Controller {
		return fleet.Controller{ID: fleet.ControllerID("mill/north/" + slug), Name: name, Source: fleet.PV}
	}
	alder, birch := controller("alder", "Alder"), controller("birch", "Birch")
	alder.Intended.TemperatureReference = true
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: 10 * time.Second, Normal: 10 * time.Second, Slow: time.Minute},
		Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{{
			ID: "mill/north", Name: "North", Controllers: []fleet.Controller{alder, birch},
			Bank: fleet.Bank{Chemistry: fleet.FloodedLead, Cells: 24, TemperatureSlope: -0.005},
		}}}},
	}
}
