package metrics

import (
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"ringwarden/fleet"
)

// An index is everything that is known of one fleet. It never changes; what it points to does.
type index struct {
	periods     fleet.Periods
	sites       map[fleet.SiteID]*site
	controllers map[fleet.ControllerID]*controller
	order       []*controller // as in the fleet file
	about       []sample      // what the fleet file says of sites and periods
	subjects    map[fleet.Subject]place
}

// A site is what is counted for a site as a whole.
type site struct {
	labels  [qualityCount]labels // of its values, by quality
	quality [qualityCount]atomic.Uint64
	took    prometheus.Observer
}

// count adds the values of an answered frame.
func (s *site) count(values []fleet.Value) {
	var n [qualityCount]uint64
	for i := range values {
		if q := values[i].Quality; int(q) < len(n) {
			n[q]++
		}
	}
	for q, n := range n {
		if n > 0 {
			s.quality[q].Add(n)
		}
	}
}

// A place is where an alarm is: the label values of its subject.
type place struct{ site, ring, controller, link string }

// Update takes over another fleet, as after a reload. Controllers that stay keep their readings and counters; of
// those that are gone nothing is left, nor of their alarms.
func (m *Metrics) Update(f *fleet.Fleet) {
	m.updating.Lock()
	defer m.updating.Unlock()
	old := m.fleet.Load()
	ix := &index{
		periods:     f.Periods,
		sites:       map[fleet.SiteID]*site{},
		controllers: map[fleet.ControllerID]*controller{},
		subjects:    map[fleet.Subject]place{fleet.OwnStore: {}, fleet.Everywhere: {}},
	}
	for _, g := range fleet.Groups {
		if d := f.Periods.Of(g); d > 0 {
			ix.about = append(ix.about, sample{period, newLabels(period, g.String()), d.Seconds()})
		}
	}
	for i := range f.Sites {
		m.addSite(ix, old, &f.Sites[i])
	}
	m.fleet.Store(ix)
	for id := range old.sites {
		if ix.sites[id] == nil {
			m.took.DeleteLabelValues(clean(string(id)))
		}
	}
	m.alarms.keep(ix.subjects)
}

func (m *Metrics) addSite(ix, old *index, s *fleet.Site) {
	known := old.sites[s.ID]
	if known == nil {
		known = &site{took: m.took.WithLabelValues(clean(string(s.ID)))}
		for q := range known.labels {
			known.labels[q] = newLabels(values, string(s.ID), fleet.Quality(q).String())
		}
	}
	ix.sites[s.ID] = known
	zone := ""
	if s.Zone != nil {
		zone = s.Zone.String()
	}
	ix.about = append(ix.about, sample{siteInfo, newLabels(siteInfo, string(s.ID), s.Name, zone), 1})
	at := place{site: string(s.ID)}
	ix.subjects[fleet.Subject(s.ID)] = at
	for i := range s.Rings {
		addRing(ix, old, known, at, &s.Rings[i])
	}
}

func addRing(ix, old *index, s *site, at place, r *fleet.Ring) {
	at.ring = slug(string(r.ID))
	ix.subjects[fleet.Subject(r.ID)] = at
	feeding := map[int]*dto.LabelPair{} // by the receiver's place
	for _, l := range r.Links() {
		from, to := l.ID.Ends()
		here := at
		here.link = from + ">" + to
		ix.subjects[fleet.Subject(l.ID)] = here
		feeding[l.To] = pair("link", here.link)
	}
	for i := range r.Controllers {
		c := &r.Controllers[i]
		here := at
		here.controller = c.ID.Slug()
		ix.subjects[fleet.Subject(c.ID)] = here
		known := old.controllers[c.ID]
		if known == nil {
			known = newController(s, here)
		}
		known.relabel(feeding[i], about(known.base, c))
		ix.controllers[c.ID] = known
		ix.order = append(ix.order, known)
	}
}

func newController(s *site, at place) *controller {
	c := &controller{site: s, base: newLabels(controllerUp, at.site, at.ring, at.controller)}
	for o := range c.poll {
		c.poll[o] = c.base.with(pair("outcome", fleet.Outcome(o).String()))
	}
	return c
}

// about returns what the fleet file says of a controller.
func about(base labels, c *fleet.Controller) []sample {
	out := []sample{{controllerInfo, base.with(pair("name", c.Name), pair("source", string(c.Source))), 1}}
	if c.Rated > 0 {
		out = append(out, sample{controllerRated, base, c.Rated})
	}
	return out
}

// slug returns the last part of an id.
func slug(id string) string { return fleet.ControllerID(id).Slug() }
