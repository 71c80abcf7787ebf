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
			About: "the controller's source gives clearly less for its rating than its peers' of the same kind",
			Thresholds: []fleet.Threshold{
				yieldShare: {Name: "share", Unit: fleet.Ratio, Default: 0.6, Min: 0.05, Max: 0.99, Why: "of the others' median: arrays that look east and west differ by a third over a day (common practice, no source)"},
				yieldDays:  {Name: "days", Unit: fleet.Plain, Default: 3, Min: 1, Max: 60, Why: "in a row that could be judged: one may be snow, shade or work (common practice, no source)"},
				yieldHours: {Name: "covered", Unit: fleet.Second, Default: 3600, Min: 60, Max: 86400, Why: "time in which all of the kind were heard and none was held back, or the day is not judged"},
				yieldLeast: {Name: "least", Unit: fleet.Second, Default: 900, Min: 1, Max: 86400, Why: "the others' final yield, as kWh per kW in hours of full power (IEC 61724-1): a quarter of an hour, or the day was too dull"},
			},
		},
		slow: true, judge: judgeYieldBehind, tell: tellYieldBehind,
	}
}

// yieldTrack is the final yield of a controller's source (IEC 61724-1: energy over rated power), over the time in which
// no controller of its kind in the ring was held back by a full bank, so that what differs is the sources.
type yieldTrack struct {
	hours  [24]yieldHour // of today, by the site's clock
	ratio  float64       // to the others' median, on the last day that could be judged
	own    float64       // of that day
	others float64
	behind int // days in a row below the share
	judged int // days that were judged
}

// yieldHour is what a source gave in an hour of the day.
type yieldHour struct {
	seconds float64       // energy over rated power: seconds of full power
	covered time.Duration // the time it was counted over
}

// yieldClock is what a ring's yields go by.
type yieldClock struct {
	at    time.Time
	day   int    // of the site's own calendar: year and day of it; 0: not begun
	light uint32 // the hours of today in which an array gave something, a bit for each
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
	for _, u := range r.units {
		if u.c.Source == fleet.PV && u.watts.fresh(now) && u.watts.value > 0.01*u.c.Rated {
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
				h.seconds += max(u.watts.value, 0) / u.c.Rated * passed.Seconds()
				h.covered += passed
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

// sum adds up what may be compared of a day. Of an array each hour counts only as far as the hour as long before or after
// the middle of the day's light was counted as well: where a bank is full by noon, mornings alone would put every array that
// looks west behind those that look east.
func (t *yieldTrack) sum(kind fleet.Source, light uint32) (all yieldHour) {
	first, last := bits.TrailingZeros32(light), 31-bits.LeadingZeros32(light)
	for i := range t.hours {
		h, share := &t.hours[i], 1.0
		if kind == fleet.PV {
			mirrored := first + last - i
			if light == 0 || mirrored < 0 || mirrored >= len(t.hours) || h.covered == 0 {
				continue
			}
			share = min(1, t.hours[mirrored].covered.Seconds()/h.covered.Seconds())
		}
		all.seconds += share * h.seconds
		all.covered += time.Duration(share * float64(h.covered))
	}
	return all
}

// closeYields judges a day that has ended, by the settings of each controller.
func (r *ring) closeYields() {
	for _, u := range r.units {
		own := u.yield.sum(u.c.Source, r.yields.light)
		var others []float64
		for _, p := range r.units {
			if p == u || p.c.Source != u.c.Source || p.c.Rated <= 0 {
				continue
			}
			if theirs := p.yield.sum(p.c.Source, r.yields.light); theirs.covered == own.covered {
				others = append(others, theirs.seconds)
			}
		}
		w := u.watch[yieldBehind]
		if len(others) == 0 || own.covered.Seconds() < w.settings.thresholds[yieldHours] {
			continue
		}
		slices.Sort(others)
		middle := others[len(others)/2]
		if middle < w.settings.thresholds[yieldLeast] {
			continue
		}
		y := &u.yield
		y.own, y.others, y.ratio = own.seconds, middle, own.seconds/middle
		y.judged++
		if y.ratio < w.settings.thresholds[yieldShare] {
			y.behind++
		} else {
			y.behind = 0
		}
	}
	for _, u := range r.units {
		u.yield.hours = [24]yieldHour{}
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
	out := w.saying("%s gave %.2f kWh for each kW of its rating on the last day that can be judged, and its peers with the same kind of source %.2f: %.0f %%, and as little on %s in a row; counted are the hours in which no full bank held one back",
		u.name, y.own/3600, y.others/3600, 100*y.ratio, fleet.Count(y.behind, "day"))
	out.figure("yield", y.own/3600, fleet.Plain)
	out.figure("peers", y.others/3600, fleet.Plain)
	out.figure("ratio", y.ratio, fleet.Ratio)
	out.advice = "Look for shade, dirt or snow, a string or fuse that is open, and a rated power in the fleet file that is not the source's."
	if u.c.Source.Turns() {
		out.advice = "Look at the intake, the blades and the wiring between the turbine and its controller; stop the turbine first, by its own brake or valve, as its manual says."
		out.caution = cautionTurbine
	} else {
		out.caution = cautionFault
	}
	return out
}
