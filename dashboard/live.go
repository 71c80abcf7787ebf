package dashboard

import (
	"context"
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"ringwarden/fleet"
)

// A Live is what the pages show without asking the disk: the newest values of every controller, how it answers, and
// its day so far. Frames come by [Live.Put], from several goroutines at once. It keeps about ten kilobytes for each
// controller, and no more however long it runs.
type Live struct {
	mu    sync.Mutex // guards all below
	fleet *fleet.Fleet
	units map[fleet.ControllerID]*unit
	heard map[fleet.SiteID]*uint64 // frames of each site
	moved uint64                   // grows with every change of an alarm or of the fleet, and with every frame
	other uint64                   // the same without the frames
}

// NewLive returns the model of a fleet from which nothing has been heard yet. It keeps f, which must not change.
func NewLive(f *fleet.Fleet) *Live {
	l := &Live{}
	l.Update(f)
	return l
}

// Update takes over another fleet. Controllers that are in both keep what is known of them.
func (l *Live) Update(f *fleet.Fleet) {
	l.mu.Lock()
	defer l.mu.Unlock()
	before, heard := l.units, l.heard
	l.fleet, l.units, l.heard = f, map[fleet.ControllerID]*unit{}, map[fleet.SiteID]*uint64{}
	f.All(func(s *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		u := before[c.ID]
		if u == nil {
			u = &unit{}
		}
		if l.heard[s.ID] == nil {
			if l.heard[s.ID] = heard[s.ID]; l.heard[s.ID] == nil {
				l.heard[s.ID] = new(uint64)
			}
		}
		u.c, u.zone, u.periods, u.heardOf = c, s.Zone, f.Periods, l.heard[s.ID]
		l.units[c.ID] = u
		return true
	})
	l.moved, l.other = l.moved+1, l.other+1
}

// Put takes one frame, of which it keeps nothing but copies. Frames of strangers are dropped.
func (l *Live) Put(f *fleet.Frame) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if u := l.units[f.Controller]; u != nil {
		u.put(f)
		*u.heardOf++
		l.moved++
	}
}

// PutChanges notes that alarms changed; which ones stand is asked when a page is made.
func (l *Live) PutChanges([]fleet.Change) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.moved, l.other = l.moved+1, l.other+1
}

// recallTime bounds how long a start may wait for the day so far.
const recallTime = 5 * time.Second

// Recall reads the frames of the day so far, so that a restart does not empty the day's curves. frames yields stored
// frames from an instant on, in the order of time. It is called before the first Put, and gives up after five seconds:
// then until is how far it came, for the caller to say; the day lacks what follows, and its coverage says so.
func (l *Live) Recall(ctx context.Context, now time.Time, frames func(ctx context.Context, from time.Time) iter.Seq2[fleet.Frame, error],
) (until time.Time, err error) {
	limited, cancel := context.WithTimeout(ctx, recallTime)
	defer cancel()
	until = l.firstMidnight(now)
	for f, err := range frames(limited, until) {
		switch {
		case err == nil:
			l.Put(&f)
			until = f.At
		case ctx.Err() == nil && limited.Err() != nil:
			return until, nil
		default:
			return time.Time{}, err
		}
	}
	return time.Time{}, nil
}

// firstMidnight returns the earliest of the sites' last midnights.
func (l *Live) firstMidnight(now time.Time) time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	first := now
	for i := range l.fleet.Sites {
		if m := midnight(now, l.fleet.Sites[i].Zone); m.Before(first) {
			first = m
		}
	}
	return first
}

// version says how often something came that a page may show: one of a site shows no other site's frames.
func (l *Live) version(page string) uint64 {
	site := ""
	if parts := strings.Split(page, "/"); len(parts) > 2 {
		site = parts[2]
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if heard := l.heard[fleet.SiteID(site)]; heard != nil {
		return l.other + *heard
	}
	return l.moved
}

// plan returns the fleet.
func (l *Live) plan() *fleet.Fleet {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fleet
}

// glance is like look without the day's curves, which are most of what there is to copy.
func (l *Live) glance(controllers []fleet.Controller) []unit {
	l.mu.Lock()
	defer l.mu.Unlock()
	looks := make([]unit, len(controllers))
	for i := range controllers {
		looks[i].c, looks[i].zone = &controllers[i], time.UTC
		if u := l.units[controllers[i].ID]; u != nil {
			brief := *u
			brief.day.buckets, brief.day.spans = nil, nil
			looks[i] = brief.clone()
		}
	}
	return looks
}

// look returns copies of what is known of some controllers, in the order of their ids; those that the fleet does not
// have are empty.
func (l *Live) look(controllers []fleet.Controller) []unit {
	l.mu.Lock()
	defer l.mu.Unlock()
	looks := make([]unit, len(controllers))
	for i := range controllers {
		if u := l.units[controllers[i].ID]; u != nil {
			looks[i] = u.clone()
		} else {
			looks[i].c, looks[i].zone = &controllers[i], time.UTC
		}
	}
	return looks
}

// find returns a site of the fleet.
func findSite(f *fleet.Fleet, id fleet.SiteID) *fleet.Site {
	if i := slices.IndexFunc(f.Sites, func(s fleet.Site) bool { return s.ID == id }); i >= 0 {
		return &f.Sites[i]
	}
	return nil
}

// findController returns a controller of the fleet with its site and ring.
func findController(f *fleet.Fleet, id fleet.ControllerID) (site *fleet.Site, ring *fleet.Ring, controller *fleet.Controller) {
	f.All(func(s *fleet.Site, r *fleet.Ring, c *fleet.Controller) bool {
		if c.ID == id {
			site, ring, controller = s, r, c
		}
		return controller == nil
	})
	return site, ring, controller
}

// hasPlace reports whether a subject is a site, ring, controller or cable of the fleet, or the daemon's own store.
func hasPlace(f *fleet.Fleet, at fleet.Subject) bool {
	for i := range f.Sites {
		for k := range f.Sites[i].Rings {
			r := &f.Sites[i].Rings[k]
			if at == fleet.Subject(r.ID) || slices.ContainsFunc(r.Links(), func(l fleet.Link) bool { return at == fleet.Subject(l.ID) }) {
				return true
			}
		}
		if at == fleet.Subject(f.Sites[i].ID) {
			return true
		}
	}
	_, _, c := findController(f, fleet.ControllerID(at))
	return c != nil || at == fleet.OwnStore
}
