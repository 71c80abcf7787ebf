package alerts

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// yieldTrack is the final yield of a controller's source (IEC 61724-1: energy over rated power), over the time in which
// no controller of its kind in the ring was held back by a full bank, so that what differs is the sources.
type yieldTrack struct {
	hours  [24]yieldHour  // of today, by the site's clock in winter
	usual  [24]yieldUsual // in each of them
	newest yieldSum       // of the last day that could be judged
	behind int            // days in a row below the share
	judged int            // days that were judged
}

// yieldHour is what a source gave in an hour of the day.
type yieldHour struct {
	seconds float32 // energy over rated power: seconds of full power
	covered float32 // s that it was counted over
}

// yieldUsual is what an array gives in an hour of the day, as a share of what its peers' middle gives for its rating: east or
// west, shade and all.
type yieldUsual struct {
	share float32
	days  uint8 // that told it so far
}

const (
	usualDays  = 2     // that make a share known: of the first two the lesser one counts, since one of the peers may have lain under snow
	usualPace  = 1.1   // by which a share may change in a day: the season moves it, one odd day does not
	usualLeast = 36.0  // s of full power in an hour, of the peers: less is dusk, and tells no share
	usualHeard = 900.0 // s of an hour that must have been counted
	usualMost  = 10.0  // a share is between a tenth and ten
)

// see takes a day's share into account.
func (y *yieldUsual) see(share float32) {
	share = min(max(share, 1/usualMost), usualMost)
	switch {
	case y.days == 0:
		y.share = share
	case y.days < usualDays:
		y.share = min(y.share, share)
	default:
		y.share = min(max(share, y.share/usualPace), y.share*usualPace)
	}
	y.days = min(y.days+1, usualDays)
}

// yieldClock is what a ring's yields go by.
type yieldClock struct {
	at    time.Time
	day   int     // of the site's own calendar: year and day of it; 0: not begun
	light uint32  // the hours of today in which an array could give something, though a full bank may take none, a bit for each
	rated float64 // of all controllers, each times its place: when it changes, what is usual is learned anew
}

// prepareYield counts what each source gave since the last look, and judges the day at its end.
func (r *ring) prepareYield(now time.Time) {
	c := &r.yields
	passed := now.Sub(c.at)
	c.at = now
	local := now.In(r.site.zone)
	if day := local.Year()*1000 + local.YearDay(); day != c.day {
		if c.day != 0 {
			r.closeYields()
		}
		c.day, c.light = day, 0
	}
	hour := local.Hour()
	if local.IsDST() {
		hour = (hour + 23) % 24 // the sun keeps no summer time
	}
	for _, u := range r.units {
		if u.c.Source == fleet.PV && awake(u.stage.is) && fresh(u.stage.at, u.stage.period, now) {
			c.light |= 1 << hour
		}
	}
	if passed <= 0 || passed > 10*time.Minute {
		return
	}
	for _, kind := range yieldKinds {
		if !r.unrestrained(kind, now) {
			continue
		}
		r.all(kind, func(u *unit) {
			h := &u.yield.hours[hour]
			h.seconds += float32(max(u.watts.value, 0) / u.c.Rated * passed.Seconds())
			h.covered += float32(passed.Seconds())
		})
	}
}

// unrestrained reports whether every controller with a source of the kind is heard and in bulk, and there are two.
func (r *ring) unrestrained(kind fleet.Source, now time.Time) bool {
	n := 0
	for _, u := range r.units {
		if u.c.Source != kind || u.c.Rated <= 0 {
			continue
		}
		if u.stage.is != fleet.Bulk || !fresh(u.stage.at, u.stage.period, now) || !u.watts.fresh(now) || u.presence.stands() {
			return false
		}
		n++
	}
	return n >= 2
}

// yieldPeers is what the sources of one kind gave in an hour of the day, each for its rating.
type yieldPeers struct {
	covered float32   // s that they were counted over
	seconds []float32 // of full power, lowest first; who was counted for less is not among them
}

func (r *ring) yieldsOf(kind fleet.Source) (all [24]yieldPeers) {
	for i := range all {
		p := &all[i]
		for _, u := range r.units {
			if u.c.Source == kind {
				p.covered = max(p.covered, u.yield.hours[i].covered)
			}
		}
		for _, u := range r.units {
			if h := &u.yield.hours[i]; u.c.Source == kind && h.covered > 0 && h.covered == p.covered {
				p.seconds = append(p.seconds, h.seconds)
			}
		}
		slices.Sort(p.seconds)
	}
	return all
}

// gave returns the middle of what all gave but one, which gave h; false: it cannot be compared.
func (p *yieldPeers) gave(h *yieldHour) (seconds float64, ok bool) {
	own, found := slices.BinarySearch(p.seconds, h.seconds)
	others := len(p.seconds) - 1
	if !found || others < 1 || h.covered != p.covered {
		return 0, false
	}
	middle := others / 2
	if middle >= own {
		middle++
	}
	return float64(p.seconds[middle]), true
}

// closeYields judges a day that has ended, by the settings of each controller, and then learns from it.
func (r *ring) closeYields() {
	rated := 0.0
	for i, u := range r.units {
		rated += float64(i+1) * u.c.Rated
	}
	changed := r.yields.rated != 0 && rated != r.yields.rated
	r.yields.rated = rated
	for _, kind := range yieldKinds {
		peers := r.yieldsOf(kind)
		r.all(kind, func(u *unit) { u.judgeYield(&peers) })
		r.all(kind, func(u *unit) {
			switch {
			case changed:
				u.yield.usual = [24]yieldUsual{} // this day was counted by either
			case kind == fleet.PV:
				u.learnYield(&peers)
			}
		})
	}
	for _, u := range r.units {
		u.yield.hours = [24]yieldHour{}
	}
}

// yieldKinds are the kinds of sources of which one can be held against the others.
var yieldKinds = [...]fleet.Source{fleet.PV, fleet.Wind, fleet.Hydro, fleet.Other}

// all calls visit for every controller with a source of the kind and a rating.
func (r *ring) all(kind fleet.Source, visit func(*unit)) {
	for _, u := range r.units {
		if u.c.Source == kind && u.c.Rated > 0 {
			visit(u)
		}
	}
}

// learnYield learns from a day on which neither the array was behind nor so many of its peers that their middle is: what is
// wrong must not become usual, neither of an array nor of those beside it.
func (u *unit) learnYield(peers *[24]yieldPeers) {
	others, behind := -1, 0
	u.ring.all(fleet.PV, func(p *unit) {
		others++
		if p.yield.behind > 0 {
			behind++
		}
	})
	if u.yield.behind > 0 || behind > others/2 {
		return
	}
	for i := range u.yield.hours {
		h := &u.yield.hours[i]
		if theirs, ok := peers[i].gave(h); ok && theirs >= usualLeast && h.covered >= usualHeard {
			u.yield.usual[i].see(h.seconds / float32(theirs))
		}
	}
}
