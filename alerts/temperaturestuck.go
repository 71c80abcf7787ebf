package alerts

import (
	"time"

	"ringwarden/fleet"
)

const (
	stuckFor = iota
	stuckInside
	stuckAlone
)

func temperatureStuckDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "temperature-stuck",
			About:    "the temperature reference's sensor shows one and the same value for hours while other temperatures move",
			Subject:  "controller",
			Priority: fleet.Low,
			Thresholds: []fleet.Threshold{
				stuckFor: {
					Name: "constant", Unit: fleet.Second, Default: 6 * 3600, Min: 60, Max: 30 * 86400,
					Why: "how long no change is odd, for each 0.1 °C of resolution: a battery follows the day's temperature slowly, but it follows (common practice, no source)",
				},
				stuckInside: {
					Name: "inside", Unit: fleet.Celsius, Default: 5, Min: 0.5, Max: 50,
					Why: "swing of the temperature inside a controller of the ring that shows that the day or the load has changed (common practice, no source)",
				},
				stuckAlone: {
					Name: "alone", Unit: fleet.Plain, Default: 4, Min: 1, Max: 100,
					Why: "times as long where no controller tells its inside temperature, so that at least a day and a night have passed",
				},
			},
		},
		judge: judgeTemperatureStuck,
		tell:  tellTemperatureStuck,
	}
}

// judgeTemperatureStuck judges the reference alone: the others' values are copies of its own, and a copy that is stale
// shows as a split. A coarse sensor is given longer, in proportion to its step.
func judgeTemperatureStuck(w asked, now time.Time) finding {
	u := w.unit
	t := &u.heat
	switch {
	case w.ring.reference.unit == nil:
		return unknown
	case w.ring.reference.unit != u:
		return no
	case !fresh(t.at, u.heatPeriod(), now) || !t.gone.IsZero() || u.presence.stands():
		return unknown
	}
	constant := t.at.Sub(t.since)
	if constant < w.stuckAfter() {
		if t.known {
			return no
		}
		return unknown // it may have been stuck before the program began
	}
	moved, told := w.ring.insideSwing()
	switch {
	case told && moved >= w.settings.thresholds[stuckInside],
		!told && constant.Seconds() >= w.stuckAfter().Seconds()*w.settings.thresholds[stuckAlone]:
	default:
		return unknown
	}
	f := finding{verdict: Yes, since: t.since}
	if d := u.watch[temperatureDefault]; d.active() {
		f.because = d.use()
	}
	return f
}

func (w *watch) stuckAfter() time.Duration {
	after := w.settings.seconds(stuckFor)
	if grain := w.unit.heat.grain; grain > 0.1 {
		after = time.Duration(float64(after) * grain / 0.1)
	}
	return after
}

// insideSwing returns the largest swing of a temperature inside a controller since the reference's battery temperature
// last changed. Each controller's is counted since its own changed; a copy that has stood for longer is left out.
func (r *ring) insideSwing() (celsius float64, told bool) {
	const late = 10 * time.Minute // of copies, generously
	since := r.reference.unit.heat.since.Add(-late)
	for _, u := range r.units {
		if s := &u.heat.inside; s.seen && !u.heat.since.Before(since) {
			told = true
			celsius = max(celsius, s.high-s.low)
		}
	}
	return celsius, told
}

func tellTemperatureStuck(w asked, _ time.Time) words {
	t := &w.unit.heat
	moved, told := w.ring.insideSwing()
	out := w.saying("the battery temperature of %s, the ring's reference, has been exactly %.1f °C for %s", w.unit.name, t.value, fleet.Span(t.at.Sub(t.since)))
	if told {
		out.text += ", while the temperature inside a controller moved by " + oneDecimal(moved) + " °C"
		out.figure("inside_swing", moved, fleet.Celsius)
	}
	out.text += "; all of the ring charges by that value"
	out.figure("temperature", t.value, fleet.Celsius)
	out.figure("constant", t.at.Sub(t.since).Seconds(), fleet.Second)
	out.advice = "Warm the sensor with a hand for a minute and see whether the value moves; if not, look at its plug and cable, then replace it."
	return out
}
