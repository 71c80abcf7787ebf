package alerts

import (
	"time"

	"ringwarden/fleet"
)

const unloadedWindow = 0

func turbineUnloadedDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "turbine-unloaded",
			About:    "a controller that must keep its turbine loaded stopped at a ground-fault trip",
			Subject:  "controller",
			Priority: fleet.High,
			Thresholds: []fleet.Threshold{
				unloadedWindow: {
					Name: "before", Unit: fleet.Second, Default: 10, Min: 0, Max: 3600,
					Why: "a stop seen this much before the flag counts as being at the trip: a device may show its stage first (common practice, no source)",
				},
			},
		},
		judge: judgeTurbineUnloaded,
		tell:  tellTurbineUnloaded,
	}
}

// mustStay reports whether the unit must not stop at a trip: it is set to stay, or it has a turbine that is not set
// to trip on the strength of a brake of its own.
func (u *unit) mustStay() bool {
	switch u.c.Intended.OnSharedFault {
	case fleet.Stay:
		return true
	case fleet.Trip:
		return u.c.Source.Turns() && !u.c.OwnBrake
	}
	return u.c.Source.Turns()
}

// judgeTurbineUnloaded says yes when the unit went to off or fault at a trip. It stays so as long as the unit stands
// still: a trip that is cleared does not put the load back. A turbine that was off before is not at risk from the trip.
func judgeTurbineUnloaded(w asked, now time.Time) finding {
	u, of := w.unit, w.ring.trip.of
	t := &u.stage
	switch {
	case !u.mustStay():
		return no
	case !fresh(t.at, t.period, now):
		return unknown
	case !stopped(t.is):
		return no
	case of == nil || t.before.IsZero() || stopped(t.was):
		return unknown // normal stays normal, and a standing alarm stands
	case t.first.Before(tripStart(of).Add(-w.settings.seconds(unloadedWindow) - t.period)):
		return unknown // it stopped before there was a trip
	}
	return finding{verdict: Yes, since: t.first}
}

// tripStart returns the earliest instant at which the trip may have been.
func tripStart(of *unit) time.Time {
	if of.fault.clear.IsZero() {
		return of.fault.first
	}
	return of.fault.clear
}

func tellTurbineUnloaded(w asked, now time.Time) words {
	u, of := w.unit, w.ring.trip.of
	what := "the controller"
	if u.c.Source.Turns() {
		what = "its " + string(u.c.Source) + " turbine"
	}
	at := "at its own ground-fault trip"
	if of != u {
		at = "at the ground-fault trip of " + of.name
	}
	why := ""
	if u.roles.trips == isTrue {
		why = "; it reports that it is set to trip"
	}
	out := w.saying("%s stopped (%s) %s although it must stay on, so %s has lost its load, seen %s%s",
		u.name, u.stage.is, at, what, fleet.Ago(now.Sub(u.stage.first)), why)
	out.figure("stopped_for", now.Sub(u.stage.first).Seconds(), fleet.Second)
	out.advice = "Stay clear of the turbine and see whether it overspeeds; bring it under control by its own brake, diversion load or intake valve, as its manual says. Then correct the setting for shared trips at " + u.name + "."
	out.caution = cautionTurbine
	return out
}
