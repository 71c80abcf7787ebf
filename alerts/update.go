package alerts

import (
	"ringwarden/fleet"
)

// Update puts a changed fleet in force and returns nothing: what changes by it comes with the next Advance. It keeps
// what is known of every site, ring, controller and cable that is still there, and the alarms with it. Alarms of what
// is no more are closed then. It keeps f, which must not change any more.
func (e *Engine) Update(f *fleet.Fleet) {
	old := *e
	e.build(f)
	paced := old.periods == e.periods
	for id, u := range e.units {
		if o, ok := old.units[id]; ok {
			u.unitTracks, u.streams, u.since = o.unitTracks, o.streams, o.since
			if !paced {
				u.presence.beat = 0 // learned anew
			}
		} else {
			u.since = e.now
		}
	}
	e.keepPlaces(old.sites)
	for kind, r := range old.reports {
		*e.reports[kind] = *r
	}
	for _, w := range old.watches {
		now, ok := e.byKey[w.key]
		switch {
		case ok:
			now.standing, now.words, now.said, now.asked = w.standing, w.words, w.said, w.asked
		case w.state != fleet.AlarmNormal:
			e.orphans = append(e.orphans, w.alarm())
		}
	}
	e.dropOrders()
	e.assign(e.now, "", "")
}

// keepPlaces hands on what is known of sites, rings and cables.
func (e *Engine) keepPlaces(old []*site) {
	sites, rings, links := map[fleet.SiteID]*site{}, map[fleet.RingID]*ring{}, map[fleet.LinkID]*link{}
	for _, s := range old {
		sites[s.id] = s
		for _, r := range s.rings {
			rings[r.f.ID] = r
			for _, l := range r.links {
				links[l.id] = l
			}
		}
	}
	for _, s := range e.sites {
		s.awake = e.now
		if o, ok := sites[s.id]; ok {
			s.silent, s.back, s.awake, s.siteTracks = o.silent, o.back, o.awake, o.siteTracks
		}
		for _, r := range s.rings {
			if o, ok := rings[r.f.ID]; ok {
				r.ringTracks = o.ringTracks
			}
			for _, l := range r.links {
				if o, ok := links[l.id]; ok {
					l.linkTracks = o.linkTracks
				}
			}
		}
	}
}

// dropOrders closes the orders for places that are no more.
func (e *Engine) dropOrders() {
	kept := e.orders[:0]
	for _, o := range e.orders {
		if e.reaches(&o) {
			kept = append(kept, o)
		} else {
			e.orphans = append(e.orphans, o.alarm(fleet.OutOfService))
		}
	}
	e.orders = kept
}

// reaches reports whether an order is for a place and a kind that are there.
func (e *Engine) reaches(o *Order) bool {
	for _, w := range e.watches {
		if o.covers(w) {
			return true
		}
	}
	return false
}
