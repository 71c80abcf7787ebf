package dashboard

import (
	"html/template"
	"slices"
	"strconv"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

type cablesPage struct {
	Site, SiteLink, Ring, About string
	RingID, Path, TestLink      string
	Links                       []cableRow
	Verdict                     string
	Level                       string // of the style sheet
	Suspects                    []suspectView
	Advice                      []string
	Age                         string
	Details                     []cableDetail
	Calls                       []callRow
	Swap                        *swapView
	Notes                       []noteView
	Older                       int
	Choices                     []placeChoice // links, for forms
	Places                      []placeChoice
	May, CanNote                bool
}

// A cableRow is how one cable does now.
type cableRow struct {
	linkRow
	Number                  int // in the order of the ring; people write "swapped cables 2 and 5"
	Mark                    template.HTML
	Good, Bad, Share, Since string
	Detail                  string // id of its details
}

// A suspectView is one thing that may be wrong.
type suspectView struct {
	Name, Title  string
	Word, Chance string
	Percent      int // for the bar
	Since        string
	Evidence     []string
}

// A cableDetail is what the history says of one cable.
type cableDetail struct {
	ID, Name, About string
	Sentences       []string
	Heat            template.HTML
	HeatAbout       string
}

type swapView struct {
	At, Here, There, Word, Sentence string
	Wait                            bool
}

// findRing returns a ring of the fleet with its site.
func findRing(f *fleet.Fleet, id fleet.RingID) (*fleet.Site, *fleet.Ring) {
	for s := range f.Sites {
		for r := range f.Sites[s].Rings {
			if ring := &f.Sites[s].Rings[r]; ring.ID == id {
				return &f.Sites[s], ring
			}
		}
	}
	return nil, nil
}

// linkName is what people call a cable.
func linkName(ring *fleet.Ring, l fleet.Link) string {
	return lineName(&ring.Controllers[l.From]) + " to " + lineName(&ring.Controllers[l.To])
}

// lineName is a controller's name for use among other words, which it must not turn round.
func lineName(c *fleet.Controller) string { return fleet.Line(c.Name, c.ID.Slug()) }

func (s *server) cablesPage(v *visit, id fleet.RingID) (*view, error) {
	site, ring := findRing(v.plan, id)
	if ring == nil {
		return nil, errNoPage
	}
	found := s.Studies.of(site, ring, v.plan.Periods)
	units := s.Live.glance(ring.Controllers)
	standing := inside(v.alarm, fleet.Subject(site.ID))
	d := &cablesPage{
		Site: site.Name, SiteLink: "/sites/" + string(site.ID), Ring: ring.Name, About: ringAbout(ring), RingID: string(ring.ID),
		Path: v.path, May: v.may, CanNote: v.may && s.Journal != nil, TestLink: "/cabletest/" + string(ring.ID),
	}
	for i, l := range ring.Links() {
		row := cableNow(l, ring, units, standing, v.now)
		row.Detail, row.Number = "link-"+strconv.Itoa(i), i+1
		if found != nil {
			row.Since = sinceWord(found.why[l.ID], v.now, site.Zone)
			d.Details = append(d.Details, cableDetailOf(row.Detail, linkName(ring, l), found, l.ID))
		}
		d.Links = append(d.Links, row)
		d.Choices = append(d.Choices, placeChoice{string(l.ID), linkName(ring, l) + " (" + strconv.Itoa(i+1) + ")"})
	}
	d.Places = slices.Concat([]placeChoice{{string(ring.ID), "the ring"}}, d.Choices)
	for _, c := range ring.Controllers {
		d.Places = append(d.Places, placeChoice{string(c.ID), c.Name})
	}
	d.weigh(v, site, ring, found)
	if !v.parts {
		if err := s.notesOf(v, site, ring, d); err != nil {
			return nil, err
		}
	}
	return &view{Title: "Cables, " + ring.Name, Name: "cables", Parts: []string{"first", "now", "swap", "links"}, Data: d}, nil
}

// cableNow says how a cable does now: what arrives over it, and how much of that is bad.
func cableNow(l fleet.Link, ring *fleet.Ring, units []unit, standing []fleet.Alarm, now time.Time) cableRow {
	row := cableRow{linkRow: linkLine(l, ring, units, standing, now), Good: dash, Bad: dash, Share: dash, Since: dash}
	row.ageCount(&units[l.To], now)
	state := row.health.State()
	if a := worst(standing, fleet.Subject(l.ID)); a != nil {
		state = draw.StateOf(a.Priority)
	}
	row.Mark = draw.Mark(state, 18)
	to := &units[l.To]
	good, bad, over := to.link.sum()
	if over <= 0 || now.Sub(to.link.at) > stalePeriods*to.periods.Fast+over {
		return row
	}
	row.Good, row.Bad = perSecond(good, over), perSecond(bad, over)
	if good+bad > 0 {
		row.Share = fixed(100*bad/(good+bad), 1) + "\u00a0%"
	}
	return row
}

// ageCount says how a cable does whose receiver tells no more than how long ago it heard the sender.
func (row *cableRow) ageCount(to *unit, now time.Time) {
	age, ok := to.of(fleet.LinkAge)
	if row.Word != "not counted" || !ok || age.Quality != fleet.Good || to.old(&age, now) {
		return
	}
	row.Word, row.health = "carries", draw.LinkGood
	row.Counts = "the last frame came " + amount(age.Number, fleet.Second) + " before it was asked"
	if age.Number > 2*to.periods.Fast.Seconds()+1 {
		row.Word, row.health = "nothing arrived just now", draw.LinkUnknown
	}
}

func perSecond(n float64, over time.Duration) string {
	rate := n / over.Seconds()
	switch {
	case n == 0:
		return "none"
	case rate >= 0.095:
		return fixed(rate, 1) + "\u00a0/s"
	case rate*60 >= 0.095:
		return fixed(rate*60, 1) + "\u00a0/min"
	}
	return fixed(rate*3600, 1) + "\u00a0/h"
}

// sinceWord says since when a cable's share of bad frames is what it is, if it has changed.
func sinceWord(y diagnosis.Why, now time.Time, zone *time.Location) string {
	if !y.Changed {
		return dash
	}
	word := "worse since "
	if y.After < y.Before {
		word = "better since "
	}
	return word + clock(y.At, now, zone)
}

func cableDetailOf(id, name string, found *findings, link fleet.LinkID) cableDetail {
	y := found.why[link]
	d := cableDetail{ID: id, Name: name, Sentences: y.Sentences}
	if len(y.Sentences) == 0 {
		d.About = "Its share of bad frames has not changed, comes in no bursts, and goes along with nothing that is measured."
		if y.Before+y.After == 0 && found.heat[link] == nil {
			d.About = "Nothing is counted on this cable: the maps of its ring have neither counters, nor a flag, nor an age."
		}
	}
	if h := found.heat[link]; h != nil && h.what != "" {
		d.HeatAbout = h.what
		d.Heat = draw.Heat{
			ID: "heat-" + id, Title: "Bad frames by day and hour, " + name, Width: narrow, Unit: h.unit, Limit: h.limit, Days: h.shown(), Desc: h.what,
		}.SVG()
	}
	return d
}
