package registermap

import (
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// together checks what holds between points.
func (p *parser) together() {
	p.checkQuantities()
	p.joinScalers()
	p.checkOverlaps()
}

func (p *parser) checkQuantities() {
	first := map[fleet.Quantity]*draft{}
	for _, d := range p.drafts {
		if d.Quantity == fleet.QuantityNone {
			continue
		}
		if other := first[d.Quantity]; other != nil {
			n := d.keysAt("quantity")
			d.faultf(n, "quantity %s is already that of %s (line %d); a map has each once", d.Quantity, other.Name, other.Line)
			continue
		}
		first[d.Quantity] = d
	}
}

// maxHints is how many names are compared with all others: enough for a person, and never minutes of comparing.
const maxHints = 20

// joinScalers finds the points that scale others and holds them against what an exponent must be.
func (p *parser) joinScalers() {
	byName := map[string]*draft{}
	var all []string
	for _, d := range p.drafts {
		byName[d.Name] = d
		all = append(all, d.Name)
	}
	hints := 0
	for _, d := range p.drafts {
		if d.ScaledBy == "" {
			continue
		}
		n := d.keysAt("scale_from")
		by := byName[d.ScaledBy]
		switch by {
		case d:
			d.faultf(n, "scale_from names the point itself")
		case nil:
			hint := ""
			if hints++; hints <= maxHints {
				hint = userfile.Hint(d.ScaledBy, all)
			}
			d.faultf(n, "scale_from names %q, which is no point of this map%s", d.ScaledBy, hint)
		default:
			d.checkScaler(by)
		}
	}
	p.joinGroups()
}

func (d *draft) checkScaler(by *draft) {
	n := d.keysAt("scale_from")
	if !by.sized || by.meaning == meansNothing {
		return // something else is wrong with it
	}
	_, scale := by.get("scale")
	_, offset := by.get("offset")
	_, from := by.get("scale_from")
	switch {
	case by.meaning != meansNumber || !by.Type.whole() || by.Type == Bit:
		d.faultf(n, "%s (line %d) cannot be an exponent, since it is not a whole number", by.Name, by.Line)
	case scale || offset || from || by.Unit != fleet.Plain:
		d.faultf(n, "%s (line %d) cannot be an exponent, since it has a scale, an offset or a unit of its own", by.Name, by.Line)
	default:
		d.scaler = by
	}
}

// joinGroups puts each exponent into the poll group of the points that it scales, unless the map says otherwise.
func (p *parser) joinGroups() {
	for _, d := range p.drafts {
		if by := d.scaler; by != nil && !by.polled && by.Quantity == fleet.QuantityNone {
			by.Group, by.polled = d.Group, true
		}
	}
	for _, d := range p.drafts {
		if by := d.scaler; by != nil && by.Group != d.Group {
			d.faultf(d.keysAt("scale_from"), "%s (line %d) is polled %s, but this point %s; give both the same poll",
				by.Name, by.Line, by.Group, d.Group)
		}
	}
	for _, d := range p.drafts {
		if d.scaler != nil {
			d.scaler.asExponent()
		}
	}
}

// asExponent gives an exponent what follows from being one: its range, and the SunSpec value for 'not implemented'.
func (d *draft) asExponent() {
	if !d.keys.Has("plausible") {
		d.Lowest, d.Highest = -fleet.MaxExponent, fleet.MaxExponent
	}
	if d.Type == S16 && d.Bits == 16 && !d.absent(notImplemented) {
		d.Absent = append(d.Absent, notImplemented)
	}
}

// notImplemented is what a SunSpec device holds in a scale factor that it does not have.
const notImplemented = 0x8000

func (pt *Point) absent(pattern uint64) bool {
	for _, a := range pt.Absent {
		if a == pattern {
			return true
		}
	}
	return false
}

// A claim says which bits of one register or of one coil a point takes.
type claim struct {
	by   *draft
	bits uint16
}

// checkOverlaps reports each point that takes a bit of an earlier one. Points may share a register if their bits are
// disjoint.
func (p *parser) checkOverlaps() {
	claims := map[uint32][]claim{}
	for _, d := range p.drafts {
		if !d.placed || !d.sized {
			continue
		}
		masks := d.registerMasks()
		if other, at := firstClash(claims, d, masks); other != nil {
			n := d.keysAt("at")
			d.p.Faultf(n, "%s overlaps %s at %s (line %d)", d.Name, other.Name, where(d.Table, at, p.m.OneBased), other.Line)
		}
		for i, m := range masks {
			k := claimKey(d.Table, int(d.Address)+i)
			claims[k] = append(claims[k], claim{d, m})
		}
	}
}

func claimKey(t Table, address int) uint32 { return uint32(t)<<16 | uint32(address) }

func firstClash(claims map[uint32][]claim, d *draft, masks []uint16) (other *draft, address int) {
	for i, m := range masks {
		for _, c := range claims[claimKey(d.Table, int(d.Address)+i)] {
			if c.bits&m != 0 {
				return c.by, int(d.Address) + i
			}
		}
	}
	return nil, 0
}

// registerMasks returns which bits of each of its registers the point takes.
func (pt *Point) registerMasks() []uint16 {
	masks := make([]uint16, pt.Length)
	if pt.Type == Text || pt.Table.Bits() {
		for i := range masks {
			masks[i] = 0xFFFF
		}
		return masks
	}
	pt.Order.split(mask(int(pt.Bits))<<pt.Shift, masks)
	return masks
}
