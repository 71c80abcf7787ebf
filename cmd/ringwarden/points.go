package main

import (
	"fmt"
	"os"
	"slices"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// tellUnknownPoints tells of points that were asked for and that no register map of the fleet has, nor any quantity is called
// so: a table without them would look as if nothing had been stored. They are no fault, since a map may have had them before.
func (a *app) tellUnknownPoints(f *fleet.Fleet, asked []string) {
	if len(asked) == 0 {
		return
	}
	var known []string
	for _, q := range fleet.AllQuantities() {
		known = append(known, q.String())
	}
	p, err := withMaps(f, os.ReadFile)
	if err != nil {
		return // config check says what is wrong with them
	}
	for _, m := range p.maps {
		for _, point := range m.Points() {
			known = append(known, point.Name)
		}
	}
	for _, name := range asked {
		if !slices.Contains(known, name) {
			fmt.Fprintf(a.err, "ringwarden: no register map of the fleet has a point %q, and there is no such quantity%s\n", name, userfile.Hint(name, known))
		}
	}
}
