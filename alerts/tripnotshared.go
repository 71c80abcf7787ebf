package alerts

import (
	"time"

	"ringwarden/fleet"
)

const (
	sharedHopTime = iota
	sharedMargin
)

func tripNotSharedDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "trip-not-shared",
			About:    "the ground-fault detector has tripped and the controller, which should have stopped, still charges",
			Subject:  "controller",
			Priority: fleet.High,
			Thresholds: []fleet.Threshold{
				sharedHopTime: {
					Name: "hop_time", Unit: fleet.Second, Default: 2, Min: 0.01, Max: 600,
					Why: "longest time that a trip takes from one controller to the next, where the ring does not say (common practice, no source)",
				},
				sharedMargin: {
					Name: "margin", Unit: fleet.Second, Default: 5, Min: 0, Max: 3600,
					Why: "a trip repeated once after a bad frame, and a device that is slow to show its new stage: an answer that is this little late is not believed before the next poll (common practice, no source)",
				},
			},
		},
		judge: judgeTripNotShared,
		tell:  tellTripNotShared,
	}
}

// shouldStop reports whether a shared trip should stop the unit: as the fleet file intends, or, where it does not say,
// as the unit reports. What the unit reports does not excuse it: set to stay by mistake, it stays connected.
func (u *unit) shouldStop() bool {
	switch u.c.Intended.OnSharedFault {
	case fleet.Trip:
		return true
	case fleet.Stay:
		return false
	}
	return u.roles.trips == isTrue
}

// judgeTripNotShared says yes when the unit is seen to charge after the trip had the time to come round. Where no cable
// leads (up an open ring), the time of a whole round is given: the array is as dangerous there.
func judgeTripNotShared(w asked, now time.Time) finding {
	u, of := w.unit, w.ring.trip.of
	switch {
	case of == u || !u.shouldStop():
		return no
	case !fresh(u.stage.at, u.stage.period, now):
		return unknown
	case !awake(u.stage.is):
		return no
	case of == nil:
		return w.untripped(now)
	case !w.ring.trip.lasts:
		return unknown
	case !w.provesUnshared(of):
		return unknown
	}
	return finding{verdict: Yes, since: of.fault.first}
}

// untripped is the verdict while nobody shows a trip: there is none, once every detector is seen to show none.
func (w *watch) untripped(now time.Time) finding {
	for _, p := range w.ring.units {
		if p.isDetector() && !fresh(p.fault.at, p.fault.period, now) && !w.hold.Since.IsZero() {
			return unknown
		}
	}
	return no
}

// provesUnshared reports whether the newest answer was taken after the trip had the time to come round, and shows that it
// did not stop the unit. A device may be slow to show its stage: an answer within the margin is not believed before the
// next poll, be that answered or not. A unit that has restarted since is told again by its neighbour: it gets the margin from
// then on.
func (w *watch) provesUnshared(of *unit) bool {
	u, margin := w.unit, w.settings.seconds(sharedMargin)
	told := of.fault.first.Add(w.tripAllowance(of))
	if back := u.presence.back(of.fault.first); back.After(of.fault.first) {
		told = latest(told, back.Add(margin))
	}
	late := u.stage.at.Sub(told)
	return late > 0 && (late >= min(margin, u.stage.period) || u.presence.missedAt.After(u.stage.at))
}

// tripAllowance is how long the trip may be under way to the unit.
func (w *watch) tripAllowance(of *unit) time.Duration {
	hops, ok := w.ring.hops(of.index, w.unit.index)
	if !ok {
		hops = len(w.ring.units)
	}
	hop := w.ring.f.HopTime
	if hop == 0 {
		hop = w.settings.seconds(sharedHopTime)
	}
	return time.Duration(hops) * hop
}

func tellTripNotShared(w asked, now time.Time) words {
	u, of := w.unit, w.ring.trip.of
	waited := now.Sub(of.fault.first)
	hops, reached := w.ring.hops(of.index, u.index)
	how := "the trip should have reached it in " + fleet.Span(w.tripAllowance(of)) + " (" + fleet.Count(hops, "hop") + ")"
	if !reached {
		how = "no cable of this open ring leads the trip there"
	}
	if u.roles.trips == isFalse {
		how += ", and it reports that it is set to stay on"
	}
	out := w.saying("%s still charges (%s) %s after %s tripped on a ground fault, although it should have stopped: %s",
		u.name, u.stage.is, fleet.Span(waited), of.name, how)
	out.figure("waited", waited.Seconds(), fleet.Second)
	out.figure("allowed", w.tripAllowance(of).Seconds(), fleet.Second)
	out.advice = adviceFault + "; ask them whether the source of " + u.name + " must be switched off by hand. Later check the setting for shared trips at " +
		u.name + " and the cables between " + of.name + " and " + u.name + "."
	if u.c.Source.Turns() {
		out.advice = adviceFault + "; " + u.name + " has a turbine: stop that by its own brake, diversion load or valve only."
	}
	out.caution = cautionFault
	return out
}
