package simulator

import (
	"slices"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// What a poll in process seems to take: a tidy local network, and the patience of a poller.
const (
	tookPerRequest = 15 * time.Millisecond
	patience       = time.Second
)

// Frame fills dst with what a poll of the controller's group would bring at this instant, and reports whether there
// is such a controller and its map has a point in the group. It goes through the registers, the read plan and the
// decoding as a poll over the network does, and learns unreadable points as the poller does. dst.Values is reused.
func (p *Plant) Frame(id fleet.ControllerID, g fleet.Group, dst *fleet.Frame) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	u := p.units[id]
	if u == nil || u.dev.m.Plan(g) == nil {
		return false
	}
	*dst = fleet.Frame{Controller: id, Group: g, At: p.start.Add(p.now), Values: dst.Values[:0]}
	switch {
	case u.ring.network.out:
		dst.Outcome = fleet.Unreachable
	case u.dead, u.dev.silent, u.dev.slow >= patience:
		dst.Outcome, dst.Took = fleet.Silent, patience
	case u.dev.garbling:
		dst.Outcome, dst.Took = fleet.Garbled, tookPerRequest
	case u.dev.refusing:
		dst.Outcome, dst.Took = fleet.Refused, tookPerRequest
	default:
		p.read(u, g, dst)
	}
	return true
}

// read reads and decodes every block of the plan.
func (p *Plant) read(u *unit, g fleet.Group, dst *fleet.Frame) {
	plan := u.dev.plans[g]
	if plan == nil {
		plan = u.dev.m.Plan(g)
	}
	n := len(plan.Layout.Points)
	dst.Values = slices.Grow(dst.Values, n)[:n]
	dst.Layout, dst.Outcome = plan.Layout, fleet.Answered
	plan.Reset(dst.Values)
	for i := 0; i < len(plan.Blocks); {
		err := p.ask(u, plan, i, dst.Values)
		dst.Took += tookPerRequest + u.dev.slow
		if err == nil {
			i++
			continue
		}
		plan = plan.Split(i) // the only error of an image: there is no such address
		u.dev.plans[g] = plan
		plan.Reset(dst.Values)
		i = 0
	}
	plan.Finish(dst.Values)
	if len(plan.Blocks) == 0 {
		dst.Outcome = fleet.Refused
	}
}

// ask reads one block into the values.
func (p *Plant) ask(u *unit, plan *registermap.Plan, block int, values []fleet.Value) error {
	b := plan.Blocks[block]
	if b.Table == registermap.Coils || b.Table == registermap.Discretes {
		bits := p.bits[:b.Count]
		if err := u.readBits(b.Table, b.Start, b.Count, bits); err != nil {
			return err
		}
		plan.DecodeBits(block, bits, values)
		return nil
	}
	words := p.words[:b.Count]
	if err := u.readRegisters(b.Table, b.Start, b.Count, words); err != nil {
		return err
	}
	plan.DecodeRegisters(block, words, values)
	return nil
}
