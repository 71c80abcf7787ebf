package store

import "ringwarden/fleet"

// growth returns by how much a counter grew between two readings, in base units.
//
// A reading below the one before it is a wrap if the counter stood in the last sixteenth of its range and is in the
// first sixteenth now; otherwise the device began to count anew, and what it shows is what it counted since. (Common
// practice, no source: a counter that is read every few minutes does not pass an eighth of its range between two reads.)
func growth(p *fleet.Point, before, now uint64) float64 {
	if p.Form != fleet.FormUnsigned {
		if d := p.Number(now) - p.Number(before); d >= 0 {
			return d
		}
		return p.Number(now) - p.Add
	}
	grown := now - before
	if now < before {
		top := ^uint64(0)
		if p.Bits > 0 && p.Bits < 64 {
			top = 1<<p.Bits - 1
		}
		if edge := top / 16; before <= top && before >= top-edge && now <= edge {
			grown = top - before + 1 + now
		} else {
			grown = now
		}
	}
	return float64(grown) * p.Mul / p.Div
}
