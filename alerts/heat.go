package alerts

import (
	"fmt"
	"math"
	"time"

	"ringwarden/fleet"
)

// heatTrack is what is known of the battery temperature that a controller uses.
type heatTrack struct {
	value  float64   // °C
	at     time.Time // newest frame with a value
	period time.Duration
	gone   time.Time // newest frame in which the device said that it has none; zero: not since at
	raw    uint64
	since  time.Time // first frame with the value that it has now
	known  bool      // it had another value before: since is when it changed, not when the program began
	from   float64   // °C: the value before
	grain  float64   // °C: smallest step that the device can show
	sensor truth     // it says that a sensor is plugged in
	inside swing     // of the temperature inside the controller, since the battery's last moved
}

// A swing is how far something moved.
type swing struct {
	low, high float64
	seen      bool
}

func (s *swing) see(v float64) {
	if !s.seen {
		*s = swing{low: v, high: v, seen: true}
		return
	}
	s.low, s.high = min(s.low, v), max(s.high, v)
}

func (t *heatTrack) see(r *reading) {
	v := r.value
	if first := t.at.IsZero(); first || v.Raw != t.raw {
		t.known = !first
		t.from, t.since = t.value, r.at
		t.inside = swing{}
	}
	t.value, t.raw, t.at, t.period = v.Number, v.Raw, r.at, r.period
	t.gone = time.Time{}
	t.grain = 0
	if f := r.point.Form; (f == fleet.FormUnsigned || f == fleet.FormSigned) && r.point.Div != 0 {
		t.grain = math.Abs(r.point.Mul / r.point.Div)
	}
}

func (t *heatTrack) absent(r *reading) { t.gone = r.at }

// A reference is a ring's temperature reference as it stands.
type reference struct {
	unit  *unit // nil: none, or more than one
	count int   // of units that are it
	open  int   // of units that have not said
	lost  bool  // it has no sensor or no value: what it uses stands for nothing
}

// prepareReference finds the temperature reference: the unit that says so, or, as long as a unit has not said, the one
// that is meant to be.
func (r *ring) prepareReference(now time.Time) {
	ref := reference{}
	for _, u := range r.units {
		r.hadHeat = r.hadHeat || u.c.Intended.TemperatureReference
		if u.roles.reference == unread {
			ref.open++
		}
		if u.isReference() {
			ref.unit = u
			ref.count++
		}
	}
	if ref.count != 1 {
		ref.unit = nil
	} else {
		r.hadHeat = true
		ref.lost = ref.unit.fallsBack(ref.unit.watch[temperatureDefault], now) != No
	}
	r.reference = ref
}

// fallsBack judges whether the temperature reference itself has no reading of a sensor: it says that none is plugged in,
// or that it has no value, or its value jumped to exactly the default and stays there.
func (u *unit) fallsBack(w *watch, now time.Time) Verdict {
	t := &u.heat
	th := &w.settings.thresholds
	at := math.Abs(t.value-th[defaultValue]) <= th[defaultWithin]
	switch {
	case t.at.IsZero() && t.gone.IsZero() || !fresh(latest(t.at, t.gone), u.heatPeriod(), now):
		return Unknown
	case t.sensor == isFalse || !t.gone.IsZero():
		return Yes
	case !at || t.sensor == isTrue:
		return No
	case !t.known:
		return No // it may well be 25 °C
	case math.Abs(t.from-t.value) > th[defaultDifference]:
		return Yes
	}
	return No
}

// heatPeriod returns the period of the polls that bring the temperature.
func (u *unit) heatPeriod() time.Duration {
	if u.heat.period > 0 {
		return u.heat.period
	}
	return u.ring.site.beat
}

// cost says what a wrong temperature does to the charging targets: cells x slope x difference. ok is false where the
// fleet file gives too little, and where the battery has no compensation.
func (u *unit) cost(difference float64) (volts float64, text string, ok bool) {
	b := &u.ring.f.Bank
	cells := b.Cells
	if cells == 0 && (b.Chemistry == fleet.FloodedLead || b.Chemistry == fleet.SealedLead) {
		cells = int(math.Round(b.Nominal / 2))
	}
	slope := b.TemperatureSlope
	if s := u.c.Intended.Setpoints.TemperatureSlope; s != nil {
		slope = *s
	}
	if cells == 0 || slope == 0 {
		return 0, "", false
	}
	volts = float64(cells) * slope * difference
	side := "low"
	if volts > 0 {
		side = "high"
	}
	return volts, fmt.Sprintf("; its charging voltage is %.2f V too %s for the other value (%d cells x %.3g mV x %.1f °C)",
		math.Abs(volts), side, cells, 1000*slope, difference), true
}

// disagreement says how far the unit's temperature is from the reference's, for the texts.
func (w *watch) disagreement(out *words, u, ref *unit) {
	difference := u.heat.value - ref.heat.value
	out.figure("temperature", u.heat.value, fleet.Celsius)
	out.figure("reference", ref.heat.value, fleet.Celsius)
	out.figure("difference", difference, fleet.Celsius)
	if volts, text, ok := u.cost(difference); ok {
		out.text += text
		out.figure("voltage_error", volts, fleet.Volt)
	}
}
