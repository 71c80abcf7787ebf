package registermap

import (
	"cmp"
	"slices"

	"ringwarden/fleet"
)

// A Block is one request: count registers or bits of a table from start on.
type Block struct {
	Table Table
	Start uint16
	Count uint16
}

// A Plan says which requests read a poll group's points and decodes their answers. It never changes and may be shared.
//
// For each poll: [Plan.Reset], then for each block that was answered [Plan.DecodeRegisters] or [Plan.DecodeBits], then
// [Plan.Finish].
type Plan struct {
	Group  fleet.Group
	Layout *fleet.Layout // what the values are of; the same for all plans that Split makes of one
	Blocks []Block

	decoder    *decoder   // the same for all plans that Split makes of one
	parts      [][]member // for each block the points in it
	unreadable []bool     // for each point
}

// A member is one point's place within its block.
type member struct {
	point  int // index into Layout.Points
	offset int // of its first register or bit within the block
}

// A span is what a point takes of its table.
type span struct {
	point      int
	start, end int // end is behind the last one
}

func newPlan(m *Map, g fleet.Group) *Plan {
	return planOf(m, g, func(pt *Point) bool { return pt.Group == g })
}

// PlanFor returns the requests that read the points of some quantities and nothing else but what scales them, or nil if
// the map has none of them. Each call makes a plan of its own, whose Group is that of the first of its points.
func (m *Map) PlanFor(quantities ...fleet.Quantity) *Plan {
	wanted := map[string]bool{}
	for i := range m.points {
		if pt := &m.points[i]; pt.Quantity != fleet.QuantityNone && slices.Contains(quantities, pt.Quantity) {
			wanted[pt.Name] = true
			if pt.ScaledBy != "" {
				wanted[pt.ScaledBy] = true
			}
		}
	}
	i := slices.IndexFunc(m.points, func(pt Point) bool { return wanted[pt.Name] })
	if i < 0 {
		return nil
	}
	return planOf(m, m.points[i].Group, func(pt *Point) bool { return wanted[pt.Name] })
}

// planOf plans the reads of those points that want takes; nil if there are none.
func planOf(m *Map, g fleet.Group, want func(*Point) bool) *Plan {
	var points []Point
	for i := range m.points {
		if want(&m.points[i]) {
			points = append(points, m.points[i])
		}
	}
	if len(points) == 0 {
		return nil
	}
	p := &Plan{Group: g, decoder: newDecoder(points), unreadable: make([]bool, len(points))}
	p.Layout = fleet.NewLayout(p.decoder.points)
	for t := range tableCount {
		var spans []span
		for i, pt := range points {
			if pt.Table == t {
				spans = append(spans, span{i, int(pt.Address), int(pt.Address) + int(pt.Length)})
			}
		}
		for _, run := range bestRuns(spans, m.costs(t)) {
			p.add(t, run)
		}
	}
	return p
}

// add appends the request that reads spans.
func (p *Plan) add(t Table, spans []span) {
	start, end := hull(spans)
	members := make([]member, len(spans))
	for i, s := range spans {
		members[i] = member{s.point, s.start - start}
	}
	p.Blocks = append(p.Blocks, Block{t, uint16(start), uint16(end - start)})
	p.parts = append(p.parts, members)
}

func hull(spans []span) (start, end int) {
	start = spans[0].start
	for _, s := range spans {
		start, end = min(start, s.start), max(end, s.end)
	}
	return start, end
}

// costs is what the planner minimises the sum of: each request costs request, each register or bit read costs each.
//
// The unit is a sixteenth of a register, so that a coil costs 1 and a register 16, as on the wire; the map's bridge says
// how many registers cost as much as one request. So two points are read together exactly if what lies unread between
// them is at most bridge registers, unless longest or a forbidden range makes it dearer or impossible.
type costs struct {
	request, each int
	longest       int
	forbidden     func(start, end int) bool
}

func (m *Map) costs(t Table) costs {
	c := costs{request: 16 * m.Bridge, each: 16, longest: m.Longest}
	if t.Bits() {
		c.each, c.longest = 1, m.LongestBits
	}
	walls := m.walls(t)
	c.forbidden = func(start, end int) bool {
		i, _ := slices.BinarySearch(walls, start)
		return i < len(walls) && walls[i] < end
	}
	return c
}

// walls returns the first address of each forbidden range of a table: a request between points that touch no forbidden
// range crosses one exactly if it crosses its first address.
func (m *Map) walls(t Table) []int {
	var walls []int
	for _, r := range m.Forbidden {
		if r.AllTables || r.Table == t {
			walls = append(walls, int(r.First))
		}
	}
	slices.Sort(walls)
	return walls
}

// bestRuns parts spans into requests of the least total cost, and of the fewest requests among equals.
//
// Only runs of spans in the order of their starts need to be looked at: where two requests hold such spans crosswise,
// the one that ends later can take over without growing. So the best for the first i spans follows from the best for
// fewer, which is exact in quadratic time.
func bestRuns(spans []span, c costs) [][]span {
	slices.SortStableFunc(spans, func(a, b span) int { return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.end, b.end)) })
	type best struct{ cost, requests, from int }
	all := make([]best, len(spans)+1)
	for i := 1; i <= len(spans); i++ {
		all[i].requests = -1
		end := 0
		for from := i - 1; from >= 0; from-- {
			start := spans[from].start
			end = max(end, spans[from].end)
			if i-1 > from && (end-start > c.longest || c.forbidden(start, end)) {
				break // going on to smaller starts only makes it longer
			}
			cost, requests := all[from].cost+c.request+c.each*(end-start), all[from].requests+1
			if all[i].requests < 0 || cost < all[i].cost || cost == all[i].cost && requests < all[i].requests {
				all[i] = best{cost, requests, from}
			}
		}
	}
	var runs [][]span
	for i := len(spans); i > 0; i = all[i].from {
		runs = append(runs, spans[all[i].from:i])
	}
	slices.Reverse(runs)
	return runs
}

// Reset makes every value Missing, or Unreadable where the device was found to refuse it. Texts are kept until
// [Plan.Finish], so that one that has not changed need not be made again. Dst has a place for each of Layout.Points.
func (p *Plan) Reset(dst []fleet.Value) {
	for i := range dst[:min(len(dst), len(p.unreadable))] {
		q := fleet.Missing
		if p.unreadable[i] {
			q = fleet.Unreadable
		}
		text := dst[i].Text
		if p.decoder.ops[i].kind != kindText {
			text = ""
		}
		dst[i] = fleet.Value{Quality: q, Text: text}
	}
}

// Unreadable returns the names of the points that the device was found to refuse.
func (p *Plan) Unreadable() []string {
	var names []string
	for i, no := range p.unreadable {
		if no {
			names = append(names, p.Layout.Points[i].Name)
		}
	}
	return names
}

// Split returns the plan to go on with after the device answered a block with exception 2, illegal data address: the
// block becomes two, or, if it holds one point only, is left out and the point is Unreadable from then on. Repeated for
// whatever is refused again, it ends with each refused point alone.
//
// It splits where registers lie unread between points if there is such a place, since those are the first suspects,
// and as near to the middle as it can. A block that the plan does not have gives the plan itself.
func (p *Plan) Split(block int) *Plan {
	if block < 0 || block >= len(p.Blocks) {
		return p
	}
	q := &Plan{Group: p.Group, Layout: p.Layout, decoder: p.decoder, unreadable: slices.Clone(p.unreadable)}
	for i, b := range p.Blocks {
		spans := p.spans(i)
		switch {
		case i != block:
			q.add(b.Table, spans)
		case len(spans) == 1:
			q.unreadable[spans[0].point] = true
		default:
			at := splitAt(spans)
			q.add(b.Table, spans[:at])
			q.add(b.Table, spans[at:])
		}
	}
	return q
}

// spans returns what the points of a block take of their table, in the order of their starts.
func (p *Plan) spans(block int) []span {
	spans := make([]span, len(p.parts[block]))
	for i, m := range p.parts[block] {
		start := int(p.Blocks[block].Start) + m.offset
		spans[i] = span{m.point, start, start + int(p.decoder.ops[m.point].length)}
	}
	return spans
}

// splitAt returns how many of at least two spans go into the first half.
func splitAt(spans []span) int {
	best, bestGap, bestOff, end := 1, false, len(spans)+1, 0
	for i := 1; i < len(spans); i++ {
		end = max(end, spans[i-1].end)
		gap, off := spans[i].start > end, max(2*i-len(spans), len(spans)-2*i)
		if gap && !bestGap || gap == bestGap && off < bestOff {
			best, bestGap, bestOff = i, gap, off
		}
	}
	return best
}
