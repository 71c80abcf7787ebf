package alerts

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A setting is one of those that a controller reports and that are held against the fleet file and the peers.
type setting uint8

const (
	setAbsorption setting = iota
	setFloat
	setEqualize
	setSlope
	setAddress
	setEnabled
	setDetector
	setTrips
	settingCount
)

var settingNames = [settingCount]string{
	setAbsorption: "absorption target", setFloat: "float target", setEqualize: "equalize target", setSlope: "temperature slope",
	setAddress: "ring address", setEnabled: "takes part in the ring", setDetector: "has the ground-fault detector", setTrips: "stops at a shared trip",
}

var settingOf = map[fleet.Quantity]setting{
	fleet.SetpointAbsorption: setAbsorption, fleet.SetpointFloat: setFloat, fleet.SetpointEqualize: setEqualize,
	fleet.SetpointTemperatureSlope: setSlope, fleet.RingAddress: setAddress, fleet.RingEnabled: setEnabled,
	fleet.RoleFaultDetector: setDetector, fleet.RoleTrips: setTrips,
}

// targets are the settings that are charging targets: those of one bank should be the same at all.
const targets = setSlope + 1

// settingTrack is what is known of one setting of a controller.
type settingTrack struct {
	gauge
	before  float64
	lastOld time.Time // newest frame with the value before
	changed time.Time // first frame with the value that it has now; zero: it has not changed since it was seen first
}

func (t *settingTrack) see(r *reading) {
	if !t.at.IsZero() && r.value.Number != t.value {
		t.before, t.lastOld, t.changed = t.value, t.at, r.at
	}
	t.gauge.see(r)
}

const (
	settingVolts = iota
	settingSlope
	settingPeers
	settingFor
)

func settingsDifferDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "settings-differ", Subject: "controller", Priority: fleet.Medium,
			About: "a setting is not what the fleet file says, not what the peers have, or changed lately",
			Thresholds: []fleet.Threshold{
				settingVolts: {Name: "voltage", Unit: fleet.Volt, Default: 0.15, Min: 0.001, Max: 20, Why: "a target in steps of 0.1 V, rounded once here and once there, is still the same"},
				settingSlope: {Name: "slope", Unit: fleet.VoltPerCelsiusCell, Default: 0.0003, Min: 0.00001, Max: 0.01, Why: "half of the usual step of 0.5 mV/°C for each cell, and a little (common practice, no source)"},
				settingPeers: {Name: "peers", Unit: fleet.Volt, Default: 0.3, Min: 0.001, Max: 20, Why: "where the fleet file gives no target: 0.5 % of a 57.6 V target, what displays and meters differ by (common practice, no source)"},
				settingFor:   {Name: "changed_for", Unit: fleet.Second, Default: 86400, Min: 60, Max: 30 * 86400, Why: "a day: so that a change over night is seen in the morning, and by each shift"},
			},
		},
		slow: true, judge: judgeSettingsDiffer, tell: tellSettingsDiffer,
	}
}

// intended returns what the fleet file says of a setting; false: nothing.
func (u *unit) intended(s setting) (float64, bool) {
	in := &u.c.Intended
	pointer := func(v *float64) (float64, bool) {
		if v == nil {
			return 0, false
		}
		return *v, true
	}
	switch s {
	case setAbsorption:
		return pointer(in.Setpoints.Absorption)
	case setFloat:
		return pointer(in.Setpoints.Float)
	case setEqualize:
		return pointer(in.Setpoints.Equalize)
	case setSlope:
		return pointer(in.Setpoints.TemperatureSlope)
	case setAddress:
		if in.RingAddress != nil {
			return float64(*in.RingAddress), true
		}
	case setDetector: // a file that names none for the ring says nothing about it
		named := slices.ContainsFunc(u.ring.f.Controllers, func(c fleet.Controller) bool { return c.Intended.FaultDetector })
		return number(in.FaultDetector), named
	case setTrips:
		return number(in.OnSharedFault == fleet.Trip), in.OnSharedFault != ""
	}
	return 0, false
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// prepareTargets finds the middle of each charging target over the ring, where three controllers or more tell it, and how
// many take part in the ring.
func (r *ring) prepareTargets(now time.Time) {
	var values []float64
	for s := range targets {
		values, r.pairs[s] = values[:0], [2]*unit{}
		for _, u := range r.units {
			if t := &u.settings[s]; t.fresh(now) {
				if n := len(values); n < 2 {
					r.pairs[s][n] = u
				}
				values = append(values, t.value)
			}
		}
		r.targets[s] = math.NaN()
		if len(values) >= 3 {
			r.targets[s] = median(values)
		}
		if len(values) != 2 {
			r.pairs[s] = [2]*unit{}
		}
	}
	r.partaking = 0
	for _, u := range r.units {
		if t := &u.settings[setEnabled]; t.fresh(now) && t.value != 0 {
			r.partaking++
		}
	}
}

// tolerance is by how much a setting may differ.
func (w *watch) tolerance(s setting, peers bool) float64 {
	th := &w.settings.thresholds
	switch {
	case s == setSlope:
		return th[settingSlope]
	case s < targets && peers:
		return th[settingPeers]
	case s < targets:
		return th[settingVolts]
	}
	return 0.5
}

// A difference is what is wrong with one setting.
type difference struct {
	what   setting
	is     float64
	should float64 // by the fleet file, the peers, or what it was
	by     string  // "fleet file", "peers", "peer" or "before"
	peer   string  // the name of the only one, if that is it
	from   time.Time
}

// differs says what is wrong with a setting now.
func (w *watch) differs(s setting, now time.Time) (difference, bool) {
	t := &w.unit.settings[s]
	d := difference{what: s, is: t.value}
	if !t.fresh(now) {
		return d, false
	}
	if want, ok := w.unit.intended(s); ok {
		d.should, d.by, d.from = want, "fleet file", t.changed
		return d, math.Abs(t.value-want) > w.tolerance(s, false)
	}
	apart := w.apart(&d)
	if !t.changed.IsZero() && now.Sub(t.changed) <= w.settings.seconds(settingFor) && math.Abs(t.value-t.before) > w.tolerance(s, false) {
		before := difference{what: s, is: t.before}
		if !apart && w.apart(&before) {
			return d, false // it was set to what the peers have
		}
		d.should, d.by, d.from = t.before, "before", t.changed
		return d, true
	}
	return d, apart
}

// apart holds a setting of which the fleet file says nothing against the peers'. Of two controllers that have different
// targets the later one of the ring is named, since nobody can say which is right.
func (w *watch) apart(d *difference) bool {
	if d.what == setEnabled {
		d.should, d.by = 1, "peers"
		return d.is == 0 && w.ring.partaking >= 2
	}
	if d.what >= targets {
		return false
	}
	d.should, d.by = w.ring.targets[d.what], "peers"
	if pair := w.ring.pairs[d.what]; pair[1] == w.unit {
		d.should, d.by, d.peer = pair[0].settings[d.what].value, "peer", pair[0].name
	}
	return math.Abs(d.is-d.should) > w.tolerance(d.what, true)
}

// judgeSettingsDiffer gives a clash of ring addresses as the explanation where the address alone is wrong.
func judgeSettingsDiffer(w asked, now time.Time) finding {
	told, wrong, address := false, 0, false
	var since time.Time
	for s := range settingCount {
		told = told || w.unit.settings[s].fresh(now)
		if d, ok := w.differs(s, now); ok {
			wrong++
			address = address || s == setAddress
			if since.IsZero() || d.from.Before(since) {
				since = d.from
			}
		}
	}
	switch {
	case !told:
		return unknown
	case wrong == 0:
		return no
	}
	f := finding{verdict: Yes, since: since}
	if address && wrong == 1 && w.ring.clash.active() {
		f.because = w.ring.clash.use()
	}
	return f
}

func tellSettingsDiffer(w asked, now time.Time) words {
	u := w.unit
	var parts []string
	out := words{}
	caution := ""
	for s := range settingCount {
		d, ok := w.differs(s, now)
		if !ok {
			continue
		}
		text := settingNames[s] + " " + show(s, d.is)
		if s >= setEnabled {
			text = settingNames[s] + ": " + show(s, d.is)
		}
		switch d.by {
		case "fleet file":
			text += ", meant to be " + show(s, d.should)
		case "before":
			text += fmt.Sprintf(", it was %s %s", show(s, d.should), until(now.Sub(d.from)))
		case "peer":
			text += fmt.Sprintf(", %s has %s, and which of the two is right nobody can say from here", d.peer, show(s, d.should))
		default:
			text += ", its peers have " + show(s, d.should)
		}
		if t := &u.settings[s]; d.by == "fleet file" && !t.changed.IsZero() {
			text += fmt.Sprintf(" (it was %s %s)", show(s, t.before), until(now.Sub(t.changed)))
		}
		parts = append(parts, text)
		out.figure(strings.ReplaceAll(strings.ReplaceAll(settingNames[s], " ", "_"), "-", "_"), d.is, fleet.Plain)
		if s == setTrips || s == setDetector {
			caution = cautionTurbine
		}
	}
	said := w.saying("%s is set otherwise: %s", u.name, strings.Join(parts, "; "))
	out.text = said.text
	out.advice = "Find out who changed it and why. If the new setting is right, write it into the fleet file; if not, set it back at " + u.name + " itself. Charging targets that differ on one bank make one controller carry the others' work."
	out.caution = caution
	return out
}

// show writes a setting as people do.
func show(s setting, v float64) string {
	switch s {
	case setAbsorption, setFloat, setEqualize:
		return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64) + " V"
	case setSlope:
		return strconv.FormatFloat(math.Round(v*1e5)/100, 'f', -1, 64) + " mV/°C for each cell"
	case setAddress:
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	if v != 0 {
		return "yes"
	}
	return "no"
}

// until says when a setting was something else last.
func until(d time.Duration) string {
	if d < time.Minute {
		return "until now"
	}
	return "until " + fleet.Ago(d)
}

func ringAddressClashDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "ring-address-clash", Subject: "ring", Priority: fleet.Medium,
			About: "two controllers of the ring bear one address, so that each takes the other's words for its own come back",
		},
		slow: true, judge: judgeRingAddressClash, tell: tellRingAddressClash,
	}
}

// clashing returns two controllers with one address, the first of several pairs.
func (r *ring) clashing(now time.Time) (a, b *unit, told bool) {
	var seen []*unit
	for _, u := range r.units {
		t := &u.settings[setAddress]
		if !t.fresh(now) || !u.partakes() {
			continue
		}
		i, found := slices.BinarySearchFunc(seen, t.value, func(o *unit, v float64) int {
			switch d := o.settings[setAddress].value - v; {
			case d < 0:
				return -1
			case d > 0:
				return 1
			}
			return 0
		})
		if found {
			return seen[i], u, true
		}
		seen = slices.Insert(seen, i, u)
	}
	return nil, nil, len(seen) > 1
}

func judgeRingAddressClash(w asked, now time.Time) finding {
	a, b, told := w.ring.clashing(now)
	switch {
	case b != nil:
		return finding{verdict: Yes, since: latest(a.settings[setAddress].changed, b.settings[setAddress].changed)}
	case told:
		return no
	}
	return unknown
}

func tellRingAddressClash(w asked, now time.Time) words {
	a, b, _ := w.ring.clashing(now)
	if b == nil {
		return w.saying("two controllers bear one ring address")
	}
	address := show(setAddress, b.settings[setAddress].value)
	out := w.saying("%s and %s both bear the ring address %s, so each takes what the other says for its own words come back", a.name, b.name, address)
	out.figure("address", b.settings[setAddress].value, fleet.Plain)
	wrong := b.name
	if want, ok := a.intended(setAddress); ok && want != a.settings[setAddress].value {
		wrong = a.name
	}
	out.advice = "Give " + wrong + " an address of its own."
	for _, u := range []*unit{a, b} {
		if want, ok := u.intended(setAddress); ok && want != u.settings[setAddress].value {
			out.advice = fmt.Sprintf("Give %s the address %s again, as the fleet file says.", u.name, show(setAddress, want))
		}
	}
	out.advice += " Shared temperatures, calls and trips may pass it by until then."
	out.caution = cautionFault
	return out
}
