package registermap

import (
	"cmp"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// A parser reads one file. Its methods go on after a fault wherever the rest can still be understood.
type parser struct {
	*userfile.Document
	m      *Map
	order  Order
	drafts []*draft
}

func (p *parser) file() {
	if p.Root == nil {
		return
	}
	m, ok := p.Mapping(p.Root, "the map", names(mapKeys)...)
	if !ok || !p.format(m) {
		return
	}
	p.read(m, mapKeys)
	p.together()
	for _, d := range p.drafts {
		p.m.points = append(p.m.points, d.Point)
	}
}

// format reports whether the file is of a format that this program knows; nothing else is worth reading if not.
func (p *parser) format(m *userfile.Mapping) bool {
	n, ok := m.Get("format")
	if !ok {
		return true // reading the keys says so; a map without the line is most likely of format 1
	}
	v, ok := p.Integer(n, "format", 1, 1<<31)
	if ok && v != 1 {
		p.Faultf(n, "format %d is not known to this program, which reads format 1; a newer program may", v)
	}
	return ok && v == 1
}

func (p *parser) model(n *yaml.Node) {
	if s, ok := p.Text(n, "model"); ok {
		if len(s) > maxModel {
			p.Faultf(n, "model has %d bytes; at most %d are read", len(s), maxModel)
		}
		p.m.Model = s
	}
}

const maxModel = 100

func (p *parser) numbering(n *yaml.Node) {
	w, _ := p.Word(n, "numbering", numberingWords...)
	p.m.OneBased = w == "register"
}

var numberingWords = []string{"address", "register"}

func (p *parser) words(n *yaml.Node) {
	w, _ := p.Word(n, "word order", orderWords[:]...)
	i, _ := placeOf(orderWords[:], w)
	p.order = Order(i)
}

func (p *parser) reads(n *yaml.Node) {
	if m, ok := p.Mapping(n, "reads", names(readsKeys)...); ok {
		p.read(m, readsKeys)
	}
}

func (p *parser) longest(n *yaml.Node) {
	if v, ok := p.Integer(n, "longest", 1, MaxRegisters); ok {
		p.m.Longest = int(v)
	}
}

func (p *parser) longestBits(n *yaml.Node) {
	if v, ok := p.Integer(n, "longest_bits", 1, MaxBits); ok {
		p.m.LongestBits = int(v)
	}
}

func (p *parser) bridge(n *yaml.Node) {
	if v, ok := p.Integer(n, "bridge", 0, MaxRegisters); ok {
		p.m.Bridge = int(v)
	}
}

func (p *parser) pause(n *yaml.Node) {
	if v, ok := p.Duration(n, "pause", 0, MaxPause); ok {
		p.m.Pause = v
	}
}

var rangePattern = regexp.MustCompile(`^(?:([a-z]+) +)?(0x[0-9a-fA-F]+|[0-9]+)(?: *- *(0x[0-9a-fA-F]+|[0-9]+))?$`)

func (p *parser) forbidden(n *yaml.Node) {
	items, _ := p.Sequence(n, "forbidden")
	if len(items) > MaxForbidden {
		p.Faultf(n, "forbidden has %d ranges; at most %d are read", len(items), MaxForbidden)
		return
	}
	for _, item := range items {
		text, ok := p.Text(item, "a forbidden range")
		if !ok {
			continue
		}
		m := rangePattern.FindStringSubmatch(text)
		if m == nil {
			p.Faultf(item, "a forbidden range must be such as 300-319, 300 or \"input 300-319\", not %q", text)
			continue
		}
		p.forbid(item, m[1], m[2], cmp.Or(m[3], m[2]))
	}
}

func (p *parser) forbid(n *yaml.Node, table, first, last string) {
	r := Range{AllTables: table == "", line: n.Line}
	if !r.AllTables {
		t, ok := ParseTable(table)
		if !ok {
			p.Faultf(n, "unknown table %q%s", table, userfile.Hint(table, tableWords[:]))
			return
		}
		r.Table = t
	}
	from, ok := p.address(n, first)
	to, ok2 := p.address(n, last)
	if !ok || !ok2 {
		return
	}
	if from > to {
		p.Faultf(n, "the forbidden range %s-%s runs backwards; write %s-%s", first, last, last, first)
		return
	}
	r.First, r.Last = from, to
	p.m.Forbidden = append(p.m.Forbidden, r)
}

// address reads an address in the file's own numbering.
func (p *parser) address(n *yaml.Node, text string) (uint16, bool) {
	least := uint64(0)
	if p.m.OneBased {
		least = 1
	}
	if len(text) > 1 && text[0] == '0' && text[1] != 'x' {
		p.Faultf(n, "address %s begins with 0; write it without (some programs read that as octal)", text)
		return 0, false
	}
	v, err := strconv.ParseUint(text, 0, 32)
	if err != nil || v < least || v > lastAddress+least {
		p.Faultf(n, "address %s does not exist; with numbering: %s they go from %d to %d",
			text, numberingWords[least], least, lastAddress+least)
		return 0, false
	}
	return uint16(v - least), true
}

func (p *parser) points(n *yaml.Node) {
	m, ok := p.Entries(n, "points")
	switch {
	case !ok:
		return
	case len(m.All()) == 0:
		p.Faultf(n, "points is empty; a map needs one point at least")
	case len(m.All()) > MaxPoints:
		p.Faultf(n, "points has %d entries; at most %d are read", len(m.All()), MaxPoints)
		return
	}
	for _, e := range m.All() {
		d := &draft{p: p, name: e.Name}
		d.read(e.Value)
		p.drafts = append(p.drafts, d)
	}
}

var pointName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,62}$`)

// suggestName returns a point name near to s, or "".
func suggestName(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '_'
	}, s)
	s = strings.Trim(s[:min(len(s), 63)], "_")
	if !pointName.MatchString(s) {
		return ""
	}
	return s
}

// forbiddenAt returns the forbidden range that count addresses from start touch.
func (m *Map) forbiddenAt(t Table, start uint16, count int) (Range, bool) {
	i := slices.IndexFunc(m.Forbidden, func(r Range) bool { return r.Touches(t, start, count) })
	if i < 0 {
		return Range{}, false
	}
	return m.Forbidden[i], true
}
