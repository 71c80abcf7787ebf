package alerts

import (
	"fmt"
	"time"

	"ringwarden/fleet"
)

// constantTrack is since when everything that a controller tells of its work has been the same.
type constantTrack struct {
	sum   [3]uint64 // of the raw values of each poll group's newest frame
	told  uint8     // how many values are in the largest of them
	since time.Time // newest frame in which something changed; zero: none was seen yet
	bank  swing     // of the bank's voltage, as its peers have it, since then
}

// live are the quantities that move while a controller works. Settings and roles stand still with good reason.
var live = map[fleet.Quantity]bool{
	fleet.BatteryVoltage: true, fleet.BatteryCurrent: true, fleet.BatteryTemperature: true, fleet.OutputPower: true, fleet.LinkGood: true,
	fleet.LinkBad: true, fleet.Uptime: true, fleet.InternalTemperature: true, fleet.EnergyLifetime: true,
}

func (t *constantTrack) see(g fleet.Group, sum uint64, told uint8, at time.Time) {
	t.told = max(t.told, told)
	if sum != t.sum[g] || t.since.IsZero() {
		t.sum[g], t.since, t.bank = sum, at, swing{}
	}
}

const (
	frozenUptime = iota
	frozenFor
	frozenSwing
)

func registersFrozenDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "registers-frozen", Subject: "controller", Priority: fleet.Medium,
			About: "the controller answers, but what it answers stands still",
			Thresholds: []fleet.Threshold{
				frozenUptime: {Name: "uptime", Unit: fleet.Second, Default: 120, Min: 30, Max: 86400, Why: "how long the time since its start may stand still: it counts in seconds, and some devices refresh their registers each minute (common practice, no source)"},
				frozenFor:    {Name: "constant", Unit: fleet.Second, Default: 1800, Min: 60, Max: 86400, Why: "without an uptime: how long everything may be the same (common practice, no source)"},
				frozenSwing:  {Name: "swing", Unit: fleet.Ratio, Default: 0.02, Min: 0.001, Max: 1, Why: "while the bank's voltage moved by this share at its peers: ten steps of 0.1 V in 50 V"},
			},
		},
		slow: true, judge: judgeRegistersFrozen, tell: tellRegistersFrozen,
	}
}

func judgeRegistersFrozen(w asked, now time.Time) finding {
	u, th := w.unit, &w.settings.thresholds
	p, t := &u.presence, &u.constant
	if !u.answers(now) {
		return unknown
	}
	if p.ticks {
		if p.uptimeAt.Sub(p.moved).Seconds() >= th[frozenUptime] {
			return finding{verdict: Yes, since: p.moved}
		}
		return no
	}
	if t.told < 3 || t.since.IsZero() {
		return unknown
	}
	constant := p.answered.Sub(t.since)
	switch {
	case constant.Seconds() < th[frozenFor]:
		return no
	case t.bank.seen && t.bank.high-t.bank.low >= th[frozenSwing]*t.bank.high:
		return finding{verdict: Yes, since: t.since}
	}
	return unknown
}

func tellRegistersFrozen(w asked, now time.Time) words {
	u := w.unit
	since, seen := u.constant.since, "none of its values has changed, while the bank's voltage moved at its peers"
	if u.presence.ticks {
		since, seen = u.presence.moved, "the time since its start no longer grows"
	}
	out := w.saying("%s answers, but its registers have stood still for %s: %s; nothing that it shows can be believed", u.name, fleet.Span(now.Sub(since)), seen)
	out.figure("constant", now.Sub(since).Seconds(), fleet.Second)
	out.advice = "Restart the network port or gateway of " + u.name + " if it has one of its own, and see whether its own display moves. Do not restart the controller itself while a turbine spins on it."
	return out
}

// fitTrack is how well a map fits what one poll group answers.
type fitTrack struct {
	odd     int // frames in a row with a point that is not there or cannot be decoded
	point   int // the first of them, in the layout
	count   int // how many there were in the newest frame
	quality fleet.Quality
}

func (t *fitTrack) see(values []fleet.Value) {
	count := 0
	for i := range values {
		if q := values[i].Quality; q == fleet.Unreadable || q == fleet.Undefined {
			if count == 0 {
				t.point, t.quality = i, q
			}
			count++
		}
	}
	if t.count = count; count == 0 {
		t.odd = 0
	} else {
		t.odd++
	}
}

const fitFrames = 0

func mapMismatchDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "map-mismatch", Subject: "controller", Priority: fleet.Low,
			About: "the register map does not fit the device: it refuses points, or gives what the map cannot decode",
			Thresholds: []fleet.Threshold{
				fitFrames: {Name: "frames", Unit: fleet.Plain, Default: 3, Min: 1, Max: 1000, Why: "frames in a row: an odd value may be torn between two refreshes of the device (common practice, no source)"},
			},
		},
		slow: true, judge: judgeMapMismatch, tell: tellMapMismatch,
	}
}

func judgeMapMismatch(w asked, now time.Time) finding {
	told := false
	for i := range w.unit.streams {
		s := &w.unit.streams[i]
		if s.layout == nil {
			continue
		}
		told = true
		if float64(s.fit.odd) >= w.settings.thresholds[fitFrames] {
			return finding{verdict: Yes}
		}
	}
	if !told || !w.unit.answers(now) {
		return unknown
	}
	return no
}

func tellMapMismatch(w asked, _ time.Time) words {
	u := w.unit
	var points []string
	n := 0
	for i := range u.streams {
		s := &u.streams[i]
		if s.fit.odd == 0 || s.layout == nil || s.fit.point >= len(s.layout.Points) {
			continue
		}
		n += s.fit.count
		what := "the device refuses its address"
		if s.fit.quality == fleet.Undefined {
			what = "the map cannot decode what the device gives"
		}
		points = append(points, fmt.Sprintf("%s (%s)", fleet.Line(s.layout.Points[s.fit.point].Name, "a point"), what))
	}
	out := w.saying("the register map does not fit %s: %s", u.name, fleet.List(points))
	if n > len(points) {
		out.text += fmt.Sprintf("; %s in all", fleet.Count(n, "point"))
	}
	out.figure("points", float64(n), fleet.Plain)
	out.advice = "Hold the map against the device's own register list for its firmware, and try it with 'ringwarden map read'. Until then nothing is known of these points; the others are read."
	return out
}
