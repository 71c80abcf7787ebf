package alerts

import (
	"time"

	"ringwarden/fleet"
)

const (
	splitDifference = iota
	splitDeadband
)

func temperatureSplitDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "temperature-split",
			About:    "the controller uses another battery temperature than the ring's reference",
			Subject:  "controller",
			Priority: fleet.Medium,
			OnDelay:  time.Minute,
			OffDelay: time.Minute,
			Thresholds: []fleet.Threshold{
				splitDifference: {
					Name: "difference", Unit: fleet.Celsius, Default: 2, Min: 0.2, Max: 50,
					Why: "costs 0.24 V on 24 lead-acid cells at -5 mV/°C; more than two good sensors of 1 °C each differ (common practice, no source), and twice what two indoor sensors of the single-hop mote data ever do in quiet",
				},
				splitDeadband: {
					Name: "deadband", Unit: fleet.Celsius, Default: 0.5, Min: 0, Max: 10, Below: "difference",
					Why: "half a degree is what sensors and their rounding play (common practice, no source)",
				},
			},
		},
		judge: judgeTemperatureSplit,
		tell:  tellTemperatureSplit,
	}
}

// compare holds a unit's temperature against the reference's. It is unknown without a single reference whose reading
// stands for something, and where either reading is old or its unit's registers stand still.
func (w *watch) compare(d Disagreement, before bool, now time.Time) Verdict {
	u, ref := w.unit, w.ring.reference.unit
	switch {
	case ref == nil || w.ring.reference.lost:
		return Unknown
	case ref == u:
		return No
	case !u.heat.gone.IsZero() || !ref.heat.gone.IsZero():
		return Unknown
	case u.presence.stands() || ref.presence.stands():
		return Unknown
	case !fresh(u.heat.at, u.heatPeriod(), now) || !fresh(ref.heat.at, ref.heatPeriod(), now):
		return Unknown
	}
	return d.Judge(u.heat.value, ref.heat.value, before)
}

// judgeTemperatureSplit gives the default as the explanation where the unit uses that: it says more.
func judgeTemperatureSplit(w asked, now time.Time) finding {
	th := &w.settings.thresholds
	f := finding{verdict: w.compare(Disagreement{th[splitDifference], th[splitDeadband]}, w.active(), now)}
	if f.verdict == Yes {
		if d := w.unit.watch[temperatureDefault]; d.active() {
			f.because = d.use()
		}
	}
	return f
}

func tellTemperatureSplit(w asked, now time.Time) words {
	u, ref := w.unit, w.ring.reference.unit
	if ref == nil {
		return w.saying("%s uses another battery temperature than the reference", u.name)
	}
	out := w.saying("%s uses %.1f °C as battery temperature and the reference %s %.1f °C, a difference of %.1f °C",
		u.name, u.heat.value, ref.name, ref.heat.value, u.heat.value-ref.heat.value)
	w.disagreement(&out, u, ref)
	if u.heat.sensor == isTrue {
		out.text += "; with two sensors nobody can say from here which one is wrong"
		out.advice = "Measure the battery's temperature with a third thermometer at both sensors, then look at the one that is off: its place on the battery, its plug, its cable. Set all but one controller to use the shared value."
		return out
	}
	if u.heat.known {
		out.text += "; its value last changed " + fleet.Span(now.Sub(u.heat.since)) + " ago"
	}
	out.advice = "See whether " + u.name + " is set to use the shared temperature and whether it has a sensor of its own plugged in; then look at the cables from " +
		ref.name + " to " + u.name + ". Which of the two values is wrong only a thermometer at the battery can tell."
	return out
}
