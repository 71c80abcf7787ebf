package alerts

import (
	"math/bits"
	"slices"
	"time"

	"ringwarden/fleet"
)

const (
	yieldShare = iota
	yieldDays
	yieldHours
	yieldLeast
)

func yieldBehindDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "yield-behind", Subject: "controller", Priority: fleet.Low,
			About: "the controller's source gives clearly less for its rating than its peers' of the same kind, or than it used to beside them",
			Thresholds: []fleet.Threshold{
				yieldShare: {Name: "share", Unit: fleet.Ratio, Default: 0.6, Min: 0.05, Max: 0.99, Why: "of the others' median, or of what it used to give beside them: arrays that look east and west differ by a third over a day (common practice, no source)"},
				yieldDays:  {Name: "days", Unit: fleet.Plain, Default: 3, Min: 1, Max: 60, Why: "in a row that could be judged: one may be snow, shade or work (common practice, no source)"},
				yieldHours: {Name: "covered", Unit: fleet.Second, Default: 3600, Min: 60, Max: 86400, Why: "time in which all of the kind were heard and none was held back, or the day is not judged"},
				yieldLeast: {Name: "least", Unit: fleet.Second, Default: 900, Min: 1, Max: 86400, Why: "the final yield that was due, as kWh per kW in hours of full power (IEC 61724-1): a quarter of an hour, or the day was too dull"},
			},
		},
		slow: true, judge: judgeYieldBehind, tell: tellYieldBehind,
	}
}

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

// yieldSum is what a source gave in those hours of a day that can be compared.
type yieldSum struct {
	own     float64 // s of full power
	due     float64 // s of full power, by what the peers gave
	covered float64 // s
	habit   bool    // due is what it used to give beside them; otherwise as much as they did
}

func (s *yieldSum) ratio() float64 { return s.own / s.due }

// tells reports whether there was enough to compare.
func (s *yieldSum) tells(by *settings) bool {
	return s.covered >= by.thresholds[yieldHours] && s.due >= by.thresholds[yieldLeast]
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
	for _, kind := range []fleet.Source{fleet.PV, fleet.Wind, fleet.Hydro, fleet.Other} {
		if !r.unrestrained(kind, now) {
			continue
		}
		for _, u := range r.units {
			if u.c.Source == kind && u.c.Rated > 0 {
				h := &u.yield.hours[hour]
				h.seconds += float32(max(u.watts.value, 0) / u.c.Rated * passed.Seconds())
				h.covered += float32(passed.Seconds())
			}
		}
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

// peersGave returns the middle of what the other sources of the unit's kind gave in an hour, for their rating; false: it
// cannot be compared.
func (u *unit) peersGave(hour int) (seconds float64, ok bool) {
	covered := u.yield.hours[hour].covered
	if covered == 0 {
		return 0, false
	}
	others := make([]float64, 0, 16)
	for _, p := range u.ring.units {
		if p != u && p.c.Source == u.c.Source && p.c.Rated > 0 && p.yield.hours[hour].covered == covered {
			others = append(others, float64(p.yield.hours[hour].seconds))
		}
	}
	if len(others) == 0 {
		return 0, false
	}
	slices.Sort(others)
	return others[len(others)/2], true
}

// besidePeers adds up what may be held against the peers. Of an array each hour counts only as far as the hour as long
// before or after the middle of the day's light was counted as well: where a bank is full by noon, mornings alone would put
// every array that looks west behind those that look east.
func (u *unit) besidePeers(light uint32) (sum yieldSum) {
	first, last := bits.TrailingZeros32(light), 31-bits.LeadingZeros32(light)
	for i := range u.yield.hours {
		h, share := &u.yield.hours[i], 1.0
		theirs, ok := u.peersGave(i)
		if !ok {
			continue
		}
		if u.c.Source == fleet.PV {
			mirrored := first + last - i
			if light == 0 || mirrored < 0 || mirrored >= len(u.yield.hours) {
				continue
			}
			share = min(1, float64(u.yield.hours[mirrored].covered/h.covered))
		}
		sum.add(h, share, theirs)
	}
	return sum
}

// besideItself adds up what may be held against what an array used to give beside its peers in the same hours: mornings
// alone will do.
func (u *unit) besideItself() yieldSum {
	sum := yieldSum{habit: true}
	for i := range u.yield.hours {
		if y := &u.yield.usual[i]; y.days >= usualDays {
			if theirs, ok := u.peersGave(i); ok {
				sum.add(&u.yield.hours[i], 1, theirs*float64(y.share))
			}
		}
	}
	return sum
}

func (s *yieldSum) add(h *yieldHour, share, due float64) {
	s.own += share * float64(h.seconds)
	s.covered += share * float64(h.covered)
	s.due += share * due
}

// closeYields judges a day that has ended, by the settings of each controller, and then learns from it.
func (r *ring) closeYields() {
	rated := 0.0
	for i, u := range r.units {
		u.judgeYield()
		rated += float64(i+1) * u.c.Rated
	}
	for _, u := range r.units {
		switch {
		case r.yields.rated != 0 && rated != r.yields.rated:
			u.yield.usual = [24]yieldUsual{} // this day was counted by either
		case u.c.Source == fleet.PV:
			u.learnYield()
		}
	}
	r.yields.rated = rated
	for _, u := range r.units {
		u.yield.hours = [24]yieldHour{}
	}
}

// judgeYield counts the day by the worse of two comparisons.
func (u *unit) judgeYield() {
	by, y := u.watch[yieldBehind].settings, &u.yield
	judged := false
	for _, sum := range []yieldSum{u.besidePeers(u.ring.yields.light), u.besideItself()} {
		if sum.tells(by) && (!judged || sum.ratio() < y.newest.ratio()) {
			y.newest, judged = sum, true
		}
	}
	switch {
	case !judged:
		return
	case y.newest.ratio() < by.thresholds[yieldShare]:
		y.behind++
	default:
		y.behind = 0
	}
	y.judged++
}

// learnYield learns from a day on which neither the array was behind nor so many of its peers that their middle is: what is
// wrong must not become usual, neither of an array nor of those beside it.
func (u *unit) learnYield() {
	peers, behind := 0, 0
	for _, p := range u.ring.units {
		if p != u && p.c.Source == u.c.Source && p.c.Rated > 0 {
			peers++
			if p.yield.behind > 0 {
				behind++
			}
		}
	}
	if u.yield.behind > 0 || behind > peers/2 {
		return
	}
	for i := range u.yield.hours {
		h := &u.yield.hours[i]
		if theirs, ok := u.peersGave(i); ok && theirs >= usualLeast && h.covered >= usualHeard {
			u.yield.usual[i].see(h.seconds / float32(theirs))
		}
	}
}

func judgeYieldBehind(w asked, _ time.Time) finding {
	switch y := &w.unit.yield; {
	case y.judged == 0:
		return unknown
	case float64(y.behind) >= w.settings.thresholds[yieldDays]:
		return finding{verdict: Yes}
	case y.behind == 0:
		return no
	}
	return unknown
}

func tellYieldBehind(w asked, _ time.Time) words {
	u := w.unit
	y := &u.yield
	beside := "its peers with the same kind of source"
	if y.newest.habit {
		beside = "by what it used to give beside its peers in the same hours it should have been"
	}
	out := w.saying("%s gave %.2f kWh for each kW of its rating on the last day that can be judged, and %s %.2f: %.0f %%, and as little on %s in a row; counted are the hours in which no full bank held one back",
		u.name, y.newest.own/3600, beside, y.newest.due/3600, 100*y.newest.ratio(), fleet.Count(y.behind, "day"))
	out.figure("yield", y.newest.own/3600, fleet.Plain)
	out.figure("peers", y.newest.due/3600, fleet.Plain)
	out.figure("ratio", y.newest.ratio(), fleet.Ratio)
	out.advice = "Look for shade, dirt or snow, a string or fuse that is open, and a rated power in the fleet file that is not the source's."
	if u.c.Source.Turns() {
		out.advice = "Look at the intake, the blades and the wiring between the turbine and its controller; stop the turbine first, by its own brake or valve, as its manual says."
		out.caution = cautionTurbine
	} else {
		out.caution = cautionFault
	}
	return out
}
