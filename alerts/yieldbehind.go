package alerts

import (
	"math/bits"
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

// besidePeers adds up what may be held against the peers. Of an array each hour counts only as far as the hour as long
// before or after the middle of the day's light was counted as well: where a bank is full by noon, mornings alone would put
// every array that looks west behind those that look east.
func (u *unit) besidePeers(peers *[24]yieldPeers) (sum yieldSum) {
	light := u.ring.yields.light
	first, last := bits.TrailingZeros32(light), 31-bits.LeadingZeros32(light)
	for i := range u.yield.hours {
		h, share := &u.yield.hours[i], 1.0
		theirs, ok := peers[i].gave(h)
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
func (u *unit) besideItself(peers *[24]yieldPeers) yieldSum {
	sum := yieldSum{habit: true}
	for i := range u.yield.hours {
		h, y := &u.yield.hours[i], &u.yield.usual[i]
		if theirs, ok := peers[i].gave(h); ok && y.days >= usualDays {
			sum.add(h, 1, theirs*float64(y.share))
		}
	}
	return sum
}

func (s *yieldSum) add(h *yieldHour, share, due float64) {
	s.own += share * float64(h.seconds)
	s.covered += share * float64(h.covered)
	s.due += share * due
}

// judgeYield counts the day by the worse of two comparisons.
func (u *unit) judgeYield(peers *[24]yieldPeers) {
	by, y := u.watch[yieldBehind].settings, &u.yield
	judged := false
	for _, sum := range []yieldSum{u.besidePeers(peers), u.besideItself(peers)} {
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
