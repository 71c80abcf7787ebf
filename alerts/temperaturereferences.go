package alerts

import (
	"time"

	"ringwarden/fleet"
)

func temperatureReferencesDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "temperature-references",
			About:    "the ring has no temperature reference although it should, or more than one",
			Subject:  "ring",
			Priority: fleet.Low,
			OnDelay:  2 * time.Minute,
			OffDelay: time.Minute,
		},
		judge: judgeTemperatureReferences,
		tell:  tellTemperatureReferences,
	}
}

// judgeTemperatureReferences goes by what the controllers say of themselves. As long as some have not said, none is not
// known to be none; two are two.
func judgeTemperatureReferences(w asked, _ time.Time) finding {
	ref := &w.ring.reference
	switch {
	case ref.count > 1:
		return finding{verdict: Yes}
	case ref.count == 1 && ref.open < len(w.ring.units):
		return no
	case ref.count == 0 && ref.open == 0 && w.ring.hadHeat:
		return finding{verdict: Yes}
	}
	return unknown
}

func tellTemperatureReferences(w asked, _ time.Time) words {
	var names []string
	for _, u := range w.ring.units {
		if u.isReference() {
			names = append(names, u.name)
		}
	}
	var out words
	if len(names) == 0 {
		out = w.saying("no controller of the ring %s says that it has the battery temperature sensor, so no shared value is the battery's", w.ring.name)
		out.advice = "Find the controller that the battery temperature sensor is plugged into and set that one as the ring's temperature reference."
	} else {
		out = w.saying("%d controllers of the ring %s share a battery temperature as the reference (%s); the others use whichever comes last",
			len(names), w.ring.name, fleet.List(names))
		out.advice = "Leave the controller whose sensor sits on the battery as the reference and switch the role off at the others; if both sensors are on it, with two nobody can say from here which one is wrong."
	}
	out.figure("references", float64(len(names)), fleet.Plain)
	return out
}
