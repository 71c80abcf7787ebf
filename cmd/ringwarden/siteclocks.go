package main

import (
	"time"

	"ringwarden/fleet"
)

// How ringwarden tells the time: what is about a site by the site's own clock; what is about all of a fleet by the clock that
// its sites share, or by that of this machine where they share none. The zone always stands beside it.

// siteClocks are the clocks of a fleet's sites. The zero value knows none: everything goes by this machine's.
type siteClocks struct {
	of     map[fleet.SiteID]*time.Location
	shared *time.Location // of all sites; nil: they share none
}

// clocksOf returns the clocks of a fleet.
func clocksOf(f *fleet.Fleet) siteClocks {
	of := map[fleet.SiteID]*time.Location{}
	for i := range f.Sites {
		of[f.Sites[i].ID] = f.Sites[i].Zone
	}
	return newClocks(of)
}

func newClocks(of map[fleet.SiteID]*time.Location) siteClocks {
	c := siteClocks{of: of}
	for _, zone := range of {
		if c.shared != nil && c.shared.String() != zone.String() {
			return siteClocks{of: of}
		}
		c.shared = zone
	}
	return c
}

// zone returns whose clock a subject goes by; the empty one is all of the fleet.
func (c siteClocks) zone(about fleet.Subject) *time.Location {
	if zone := c.of[fleet.RingID(about).Site()]; zone != nil { // the first part of every id is its site's
		return zone
	}
	if c.shared != nil {
		return c.shared
	}
	return time.Local
}

// show writes an instant of a subject.
func (c siteClocks) show(t time.Time, about fleet.Subject) string {
	return t.In(c.zone(about)).Format(time.DateTime + " MST")
}
