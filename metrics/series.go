package metrics

import (
	"math"
	"slices"
	"strconv"

	dto "github.com/prometheus/client_model/go"

	"ringwarden/fleet"
)

// A series is where one sample of a controller comes from: a value of a frame, and how to look at it.
type series struct {
	family *family
	labels labels
	group  fleet.Group
	point  int // place in the group's layout
	look   look
	codes  []uint64 // for lookCode: those that make it 1
	mask   uint64   // for lookMask: the bits that make it 1
	number bool     // for lookText: the text is a number
}

type look uint8

const (
	lookNumber look = iota // the number itself
	lookTruth              // 1 if not zero
	lookStage              // 1 if Number is one of codes
	lookCode               // 1 if Raw is one of codes
	lookMask               // 1 if Raw has a bit of mask
	lookText               // 1, and the text becomes a label
)

// sample returns what a good value exposes, and false where it is no number that may be exposed.
func (s *series) sample(v *fleet.Value) (sample, bool) {
	out := sample{family: s.family, labels: s.labels, value: 1}
	switch s.look {
	case lookNumber:
		out.value = v.Number
		if math.IsNaN(v.Number) || math.IsInf(v.Number, 0) || s.family.counter && v.Number < 0 {
			return sample{}, false
		}
	case lookTruth:
		out.value = one(v.Number != 0)
	case lookStage:
		out.value = one(slices.Contains(s.codes, uint64(v.Number)))
	case lookCode:
		out.value = one(slices.Contains(s.codes, v.Raw))
	case lookMask:
		out.value = one(v.Raw&s.mask != 0)
	case lookText:
		text := v.Text
		if s.number {
			text = strconv.FormatFloat(v.Number, 'f', -1, 64)
		}
		out.labels = s.labels.with(pair(s.family.labels[len(s.family.labels)-1], text))
	}
	return out, true
}

// A compiler turns layouts into series. A quantity or a point that comes twice is taken once: two series with the
// same labels would spoil a scrape.
type compiler struct {
	base   labels         // site, ring, controller
	link   *dto.LabelPair // of the cable that feeds the controller; nil: there is none
	series []series
	points map[string]bool
	done   map[fleet.Quantity]bool
}

func (c *compiler) layout(g fleet.Group, l *fleet.Layout) {
	for i := range l.Points {
		p := &l.Points[i]
		at := series{group: g, point: i, labels: c.base}
		switch {
		case p.Quantity == fleet.QuantityNone && !c.points[p.Name]:
			c.points[p.Name] = true
			c.named(p, at)
		case p.Quantity != fleet.QuantityNone && !c.done[p.Quantity] && int(p.Quantity) < len(quantityFamilies):
			c.done[p.Quantity] = true
			c.quantity(p, at)
		}
	}
}

// quantity adds the series of a point with a quantity.
func (c *compiler) quantity(p *fleet.Point, s series) {
	s.family = quantityFamilies[p.Quantity]
	if s.family.linked() {
		if c.link == nil {
			return // no cable to tell of
		}
		s.labels = s.labels.with(c.link)
	}
	switch p.Quantity.Shape() {
	case fleet.ShapeStage:
		s.look = lookStage
		for _, stage := range fleet.Stages {
			c.add(s, stage.String(), []uint64{uint64(stage)}, 0)
		}
	case fleet.ShapeFlags:
		c.flags(p, s)
	case fleet.ShapeTruth:
		s.look = lookTruth
		c.series = append(c.series, s)
	case fleet.ShapeText:
		s.look, s.number = lookText, p.Form != fleet.FormText
		c.series = append(c.series, s)
	default:
		c.series = append(c.series, s)
	}
}

// named adds the series of a point without a quantity, under its own name.
func (c *compiler) named(p *fleet.Point, s series) {
	s.labels = s.labels.with(pair("point", p.Name))
	switch {
	case p.Form == fleet.FormText:
		s.family, s.look = pointInfo, lookText
		c.series = append(c.series, s)
	case len(p.Flags) > 0:
		s.family = pointFlag
		c.flags(p, s)
	case len(p.Names) > 0:
		s.family, s.look = pointState, lookCode
		codes := map[string][]uint64{}
		for _, n := range p.Names {
			codes[n.Word] = append(codes[n.Word], n.Code)
		}
		for _, n := range p.Names {
			if all := codes[n.Word]; all[0] == n.Code { // once for each word
				c.add(s, n.Word, all, 0)
			}
		}
	default:
		unit := p.Unit
		if _, known := unitNames[unit]; !known {
			unit = fleet.Plain
		}
		s.family = pointFamilies[unitKind{unit, p.Counter}]
		c.series = append(c.series, s)
	}
}

// flags adds a series for each word of a flag word.
func (c *compiler) flags(p *fleet.Point, s series) {
	s.look = lookMask
	var done []string
	for _, f := range p.Flags {
		if !slices.Contains(done, f.Word) {
			done = append(done, f.Word)
			c.add(s, f.Word, nil, p.Flag(f.Word))
		}
	}
}

// add adds one series of a state set; the set's own label is the family's last.
func (c *compiler) add(s series, word string, codes []uint64, mask uint64) {
	s.labels = s.labels.with(pair(s.family.labels[len(s.family.labels)-1], word))
	s.codes, s.mask = codes, mask
	c.series = append(c.series, s)
}
