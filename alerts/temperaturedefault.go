package alerts

import (
	"math"
	"time"

	"ringwarden/fleet"
)

const (
	defaultValue = iota
	defaultWithin
	defaultDifference
	defaultJump
	defaultConstant
)

func temperatureDefaultDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "temperature-default",
			About:    "the controller uses a fallback value instead of the battery's temperature, or none",
			Subject:  "controller",
			Priority: fleet.Medium,
			OnDelay:  time.Minute,
			OffDelay: time.Minute,
			Thresholds: []fleet.Threshold{
				defaultValue: {
					Name: "value", Unit: fleet.Celsius, Default: 25, Min: -40, Max: 80,
					Why: "charging targets are given for 25 °C, so that is what a controller without a sensor uses (common practice, no source)",
				},
				defaultWithin: {
					Name: "within", Unit: fleet.Celsius, Default: 0.06, Min: 0, Max: 2,
					Why: "half of the usual resolution of 0.1 °C and a little: to a device that counts in tenths of a kelvin 25 °C are 24.95 or 25.05",
				},
				defaultDifference: {
					Name: "difference", Unit: fleet.Celsius, Default: 2, Min: 0.2, Max: 50,
					Why: "as for temperature-split: nearer than this the fallback does no harm",
				},
				defaultJump: {
					Name: "jump", Unit: fleet.Celsius, Default: 1, Min: 0, Max: 50,
					Why: "who came to the value by a larger step than a battery takes between two polls has fallen back; who drifted through it has a sensor (common practice, no source)",
				},
				defaultConstant: {
					Name: "constant", Unit: fleet.Second, Default: 1800, Min: 0, Max: 30 * 86400,
					Why: "and so has who stays there this long, for each 0.1 °C of resolution, while the reference has another value (common practice, no source)",
				},
			},
		},
		judge: judgeTemperatureDefault,
		tell:  tellTemperatureDefault,
	}
}

// judgeTemperatureDefault compares with the reference. The reference has nobody to compare with: see fallsBack. A unit
// that says that it has no temperature, and had one before, has lost it.
func judgeTemperatureDefault(w asked, now time.Time) finding {
	u := w.unit
	t := &u.heat
	th := &w.settings.thresholds
	if w.ring.reference.unit == u {
		return w.judgeOwnSensor(now)
	}
	if !t.gone.IsZero() && fresh(t.gone, u.heatPeriod(), now) {
		if t.at.IsZero() {
			return unknown // it never had one: it may show a sensor of its own alone
		}
		return finding{verdict: Yes}
	}
	if math.Abs(t.value-th[defaultValue]) > th[defaultWithin] && fresh(t.at, u.heatPeriod(), now) {
		return no
	}
	f := finding{verdict: w.compare(Disagreement{Limit: th[defaultDifference]}, false, now)}
	if f.verdict == Yes && !w.fellBack() {
		return unknown
	}
	if f.verdict == Yes && t.known {
		f.since = t.since
	}
	return f
}

// fellBack reports whether the unit came to the value that it has by a jump, or has kept it for long.
func (w *watch) fellBack() bool {
	t := &w.unit.heat
	coarse := max(1, t.grain/0.1)
	if t.known && math.Abs(t.value-t.from) > max(w.settings.thresholds[defaultJump], 1.5*t.grain) {
		return true
	}
	return t.at.Sub(t.since).Seconds() >= w.settings.thresholds[defaultConstant]*coarse
}

// judgeOwnSensor is the verdict on the reference. A fallback value that was already there when the program began may be
// the truth; it raises nothing, and clears nothing either.
func (w *watch) judgeOwnSensor(now time.Time) finding {
	t := &w.unit.heat
	v := w.unit.fallsBack(w, now)
	if v == No && t.sensor == unread && !t.known && w.active() {
		v = Unknown
	}
	return finding{verdict: v}
}

func tellTemperatureDefault(w asked, now time.Time) words {
	u, ref := w.unit, w.ring.reference.unit
	fallback := w.settings.thresholds[defaultValue]
	if ref == u {
		what := "its sensor seems to be gone"
		if u.heat.sensor == isFalse {
			what = "it says that no sensor is plugged in"
		}
		out := w.saying("%s, the ring's temperature reference, has no battery temperature any more: %s, and the whole ring charges as if the battery had %.0f °C or whatever it heard last",
			u.name, what, fallback)
		out.advice = "Look at the battery temperature sensor of " + u.name + ": plug, cable, and whether it still sits on a battery."
		return out
	}
	var out words
	if !u.heat.gone.IsZero() {
		out = w.saying("%s says that it has no battery temperature; it had one until %s ago", u.name, fleet.Span(now.Sub(u.heat.at)))
	} else {
		out = w.saying("%s uses exactly %.1f °C as battery temperature, which is what a controller without one falls back to, while the reference %s has %.1f °C",
			u.name, u.heat.value, ref.name, ref.heat.value)
		w.disagreement(&out, u, ref)
	}
	where := "the reference"
	if ref != nil {
		where = ref.name
	}
	out.advice = "The shared temperature does not get to " + u.name + ": see whether ring coordination and the shared sensor are switched on there, then look at the cables from " + where + " to " + u.name + "."
	return out
}
