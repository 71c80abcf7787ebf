package store

import (
	"slices"

	"ringwarden/fleet"
)

// growth returns by how much a counter grew between two readings, in base units. restarted says that the device is known to
// have started anew in between.
//
// A reading below the one before it is a wrap if the counter stood in the last sixteenth of its range and is in the
// first sixteenth now, and the device ran on; otherwise it began to count anew, and what it shows is what it counted since.
// One that kept its count over a restart goes on from it. (Common practice, no source: a counter that is read every few
// minutes does not pass an eighth of its range between two reads.)
func growth(p *fleet.Point, before, now uint64, restarted bool) float64 {
	if p.Form != fleet.FormUnsigned {
		if d := p.Number(now) - p.Number(before); d >= 0 {
			return d
		}
		return p.Number(now) - p.Add
	}
	grown := now - before
	if now < before {
		grown = now
		if top := topOf(p); !restarted && wrapped(top, before, now) {
			grown = top - before + 1 + now
		}
	}
	return float64(grown) * p.Mul / p.Div
}

// topOf returns the largest integer that a point's registers hold.
func topOf(p *fleet.Point) uint64 {
	if p.Bits > 0 && p.Bits < 64 {
		return 1<<p.Bits - 1
	}
	return ^uint64(0)
}

func wrapped(top, before, now uint64) bool {
	edge := top / 16
	return before <= top && before >= top-edge && now <= edge
}

// A restart is about when a device started anew, in nanoseconds since 1970.
type restart struct{ from, to int64 }

// How far a device's uptime and our clock may be apart before it is a restart: some seconds of answering late, and one part
// in a hundred (common practice, no source).
const (
	uptimeSlack = 60e9
	uptimePart  = 100
)

// restarts finds when a device started anew, by the curve of its uptime: that fell, or grew by less than the time that
// passed though it is no longer than that.
func (c *curve) restarts() []restart {
	var found []restart
	last := -1
	for i := range c.At {
		if !c.good(i) || c.point(i).Quantity != fleet.Uptime {
			continue
		}
		if last >= 0 {
			if r, ok := c.restarted(last, i); ok {
				found = append(found, r)
			}
		}
		last = i
	}
	return found
}

func (c *curve) restarted(i, j int) (restart, bool) {
	p, passed, up := c.point(j), c.At[j]-c.At[i], c.Number[j]*1e9
	switch {
	case c.Number[j] < c.Number[i]:
		if p.Form == fleet.FormUnsigned && c.point(i).Form == p.Form && wrapped(topOf(p), c.Raw[i], c.Raw[j]) {
			return restart{}, false
		}
	case up > float64(passed) || float64(passed)-(c.Number[j]-c.Number[i])*1e9 <= uptimeSlack+float64(passed)/uptimePart:
		return restart{}, false
	}
	tick := int64(1e9)
	if p.Div != 0 {
		tick = max(tick, int64(min(p.Mul/p.Div, 3600)*1e9))
	}
	began := c.At[j] - int64(min(max(up, 0), float64(passed)))
	return restart{max(c.At[i], began-tick), min(c.At[j], began+tick)}, true
}

// between reports whether one of the restarts, which are in order, may lie between two instants.
func between(restarts []restart, from, to int64) bool {
	i, _ := slices.BinarySearchFunc(restarts, from, func(r restart, at int64) int {
		if r.to <= at {
			return -1
		}
		return 1
	})
	return i < len(restarts) && restarts[i].from <= to
}
