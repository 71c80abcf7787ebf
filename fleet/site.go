package fleet

import (
	"math"

	"gopkg.in/yaml.v3"
)

// ids finds ids that are doubled within one parent.
type ids struct {
	kind  string
	first map[string]*yaml.Node
}

func newIDs(kind string) *ids { return &ids{kind, map[string]*yaml.Node{}} }

// take reports whether the id of a section is new.
func (i *ids) take(s *section, id string) bool {
	place := s.at("name")
	if s.m.Has("id") {
		place = s.at("id")
	}
	if first, ok := i.first[id]; ok {
		s.doc.Faultf(place, "%s has the id %q, as does the %s in line %d; give one of them another id", s.what, id, i.kind, first.Line)
		return false
	}
	i.first[id] = place
	return true
}

func (p *parser) site(n *yaml.Node, known *ids) {
	s, ok := open(p.doc, n, titled("site", n), siteKeys)
	if !ok {
		return
	}
	name, id, ok := s.identity()
	ok = ok && known.take(s, id)
	p.nameless = p.nameless || !ok
	site := Site{ID: SiteID(id), Name: name, Zone: s.zone()}
	if ok {
		p.depth[Subject(id)] = "site"
	}
	rings := newIDs("ring")
	for _, n := range s.list("rings") {
		if r, ok := p.ring(n, site.ID, rings); ok {
			site.Rings = append(site.Rings, r)
		}
	}
	p.fleet.Sites = append(p.fleet.Sites, site)
}

func (p *parser) ring(n *yaml.Node, site SiteID, known *ids) (Ring, bool) {
	s, ok := open(p.doc, n, titled("ring", n), ringKeys)
	if !ok {
		return Ring{}, false
	}
	name, id, ok := s.identity()
	ok = ok && known.take(s, id)
	p.nameless = p.nameless || !ok
	r := Ring{ID: RingID(string(site) + "/" + id), Name: name, Open: s.truth("open")}
	r.HopTime, _ = s.span("hop_time")
	if b, ok := s.part("bank", "the bank"); ok {
		r.Bank = bank(b)
	}
	units := p.controllers(s, r.ID)
	for _, u := range units {
		r.Controllers = append(r.Controllers, u.Controller)
	}
	checkRing(units)
	checkSetpoints(r.Bank, units)
	if ok && site != "" {
		p.depth[Subject(r.ID)] = "ring"
		for _, c := range r.Controllers {
			p.depth[Subject(c.ID)] = "controller"
		}
		for _, l := range r.Links() {
			p.depth[Subject(l.ID)] = "link"
		}
	}
	return r, ok
}

func bank(s *section) Bank {
	var b Bank
	word, _ := s.word("chemistry")
	b.Chemistry = Chemistry(word)
	b.Nominal, _ = s.amount("nominal")
	b.Cells, _ = s.whole("cells")
	b.Capacity, _ = s.amount("capacity")
	b.TemperatureSlope, _ = s.amount("temperature_slope")
	lead := b.Chemistry == FloodedLead || b.Chemistry == SealedLead
	switch {
	case lead:
		checkLead(s, &b)
	case b.Chemistry == Lithium:
		checkLithium(s, &b)
	}
	return b
}

// leadCell is the nominal voltage of a lead-acid cell: six make 12 V.
const leadCell = 2.0

// checkLead fills in the one of nominal and cells that the file leaves out.
func checkLead(s *section, b *Bank) {
	switch {
	case b.Nominal == 0 && !s.m.Has("nominal"):
		b.Nominal = leadCell * float64(b.Cells)
	case b.Cells == 0 && !s.m.Has("cells"):
		b.Cells = int(math.Round(b.Nominal / leadCell))
	}
	if b.Nominal != 0 && b.Cells != 0 && b.Nominal != leadCell*float64(b.Cells) {
		s.doc.Faultf(s.at("nominal"), "nominal is %g V, and %d lead-acid cells of 2 V make %g V; correct one of them",
			b.Nominal, b.Cells, leadCell*float64(b.Cells))
	}
}

// checkLithium uses wide limits, common practice without a source: nominal cells lie between 2.2 and 3.8 V.
func checkLithium(s *section, b *Bank) {
	if perCell := b.Nominal / float64(b.Cells); b.Nominal != 0 && b.Cells != 0 && (perCell < 2.2 || perCell > 3.8) {
		s.doc.Faultf(s.at("cells"), "%d lithium cells in a bank of %g V would have %.2f V each; they have 2.2 to 3.8 V", b.Cells, b.Nominal, perCell)
	}
	if b.TemperatureSlope != 0 {
		s.doc.Faultf(s.at("temperature_slope"), "temperature_slope is for lead-acid; leave it out for lithium, whose charging voltage does not follow the temperature")
	}
}
