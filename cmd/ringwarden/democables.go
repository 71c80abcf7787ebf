package main

import (
	"ringwarden/fleet"
	"ringwarden/simulator"
)

// demoCables are the simulated ring's cables, which people pull on the demo's pages.
type demoCables struct{ plant *simulator.Plant }

// Pulled returns the cables that are out.
func (c demoCables) Pulled() map[fleet.LinkID]bool {
	out := map[fleet.LinkID]bool{}
	for _, f := range c.plant.Faults() {
		if f.Kind == simulator.CutLink {
			out[fleet.LinkID(f.On)] = true
		}
	}
	return out
}

// Pull takes a cable out, or puts it back.
func (c demoCables) Pull(link fleet.LinkID) error {
	if c.plant.Clear(simulator.CutLink, fleet.Subject(link)) {
		return nil
	}
	return c.plant.Inject(simulator.Fault{Kind: simulator.CutLink, On: fleet.Subject(link)})
}
