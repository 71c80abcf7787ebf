package alerts

import (
	"time"

	"ringwarden/fleet"
)

func faultTripDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "fault-trip",
			About:    "the ground-fault detector has tripped",
			Subject:  "controller",
			Priority: fleet.High,
		},
		judge: judgeFaultTrip,
		tell:  tellFaultTrip,
	}
}

// judgeFaultTrip says yes on every unit that shows the flag. The others' is explained by the detector's: a shared trip
// shows as one. Two detectors that both show it have each found a fault.
func judgeFaultTrip(w asked, now time.Time) finding {
	u := w.unit
	switch {
	case !fresh(u.fault.at, u.fault.period, now):
		return unknown
	case !u.fault.tripped:
		return no
	}
	f := finding{verdict: Yes, since: u.fault.first}
	if of := w.ring.trip.of; of != u && !u.isDetector() {
		f.because = of.watch[faultTrip].use()
	}
	return f
}

func tellFaultTrip(w asked, now time.Time) words {
	u := w.unit
	var stop, stay []string
	for _, p := range w.ring.units {
		switch {
		case p == u:
		case p.shouldStop():
			stop = append(stop, p.name)
		default:
			stay = append(stay, p.name)
		}
	}
	who := "reports a ground fault"
	if u.isDetector() {
		who = "has the ground-fault detector, and it has tripped"
	}
	out := w.saying("%s %s (seen %s)", u.name, who, fleet.Ago(now.Sub(u.fault.first)))
	if len(stop) > 0 {
		out.text += "; the trip should stop " + fleet.List(stop) + " as well"
	}
	if len(stay) > 0 {
		out.text += "; " + fleet.List(stay) + " must stay on"
	}
	out.figure("should_stop", float64(len(stop)), fleet.Plain)
	out.figure("should_stay", float64(len(stay)), fleet.Plain)
	out.advice = adviceFault + "."
	out.caution = cautionFault
	return out
}
