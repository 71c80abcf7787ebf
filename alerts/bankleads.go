package alerts

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// leadTrack is what was seen of a controller's voltage against the others' at each current, as sums that forget. Its offset
// there grows with the resistance of its leads, beyond the others'; what it is at no current is its calibration, and so is
// what grows with the bank's own voltage.
type leadTrack struct {
	at   time.Time
	zero float64 // V, of the others when they were seen first: sums of what differs from it keep their digits
	most float64 // A, the largest current of late

	n          float64 // readings, as far as they tell something new
	x, d, y    float64 // sums over currents, the others' voltages less zero, and the offsets from them
	xx, xd, dd float64 // and over their products
	xy, dy, yy float64
}

const (
	leadForgets = 24 * time.Hour   // after which a reading counts a third: what came loose shows within a day or two
	leadNew     = 10 * time.Minute // what is read sooner after another reading tells less: clouds and loads last for minutes
	leadMeters  = 0.005            // by which share two voltage meters of 0.5 % differ (common practice, no source)
	leadEnough  = 60.0             // readings that tell something new, half a day of them: of fewer one odd one makes a slope
)

func (t *leadTrack) see(amperes, offset, others float64, at time.Time) {
	if amperes < 0 || !at.After(t.at) {
		return
	}
	if t.n == 0 {
		t.zero, t.at = others, at.Add(-leadNew)
	}
	passed := at.Sub(t.at)
	t.at = at
	t.forget(math.Exp(-passed.Hours() / leadForgets.Hours()))
	t.most = max(t.most, amperes)
	t.add(min(1, passed.Hours()/leadNew.Hours()), amperes, others-t.zero, offset)
}

func (t *leadTrack) add(w, amperes, d, offset float64) {
	t.n += w
	t.x, t.d, t.y = t.x+w*amperes, t.d+w*d, t.y+w*offset
	t.xx, t.xd, t.dd = t.xx+w*amperes*amperes, t.xd+w*amperes*d, t.dd+w*d*d
	t.xy, t.dy, t.yy = t.xy+w*amperes*offset, t.dy+w*d*offset, t.yy+w*offset*offset
}

func (t *leadTrack) forget(keep float64) {
	for _, s := range []*float64{&t.most, &t.n, &t.x, &t.d, &t.y, &t.xx, &t.xd, &t.dd, &t.xy, &t.dy, &t.yy} {
		*s *= keep
	}
}

// A leadFit is what a leadTrack tells.
type leadFit struct {
	ohms, sure float64 // Ω beyond the others', and its standard error
	volts      float64 // the offset at no current
}

// fit returns what the track tells; false: too little was seen. step is that in which the readings come.
func (t *leadTrack) fit(step float64) (leadFit, bool) {
	if t.n < leadEnough {
		return leadFit{}, false
	}
	return t.regress(step)
}

// regress regresses the offset on the current and on the bank's voltage, of which what two good meters differ by is known before (a
// normal prior; ridge regression, Hoerl and Kennard 1970). False: the current did not change.
func (t *leadTrack) regress(step float64) (f leadFit, ok bool) {
	// about the means
	xx, xd, dd := t.xx-t.x*t.x/t.n, t.xd-t.x*t.d/t.n, t.dd-t.d*t.d/t.n
	xy, dy, yy := t.xy-t.x*t.y/t.n, t.dy-t.d*t.y/t.n, t.yy-t.y*t.y/t.n
	least := step*step/6 + 1e-6 // variance of the difference of two readings in such steps
	variance := max(least, yy/t.n)
	for range 3 { // the prior's weight depends on the variance, which depends on the fit
		ridged := dd + variance/(leadMeters*leadMeters)
		det := xx*ridged - xd*xd
		if !(det > 1e-9*xx*ridged) {
			return f, false
		}
		f.ohms = (xy*ridged - dy*xd) / det
		slope := (dy*xx - xy*xd) / det
		rest := yy - 2*f.ohms*xy - 2*slope*dy + f.ohms*f.ohms*xx + 2*f.ohms*slope*xd + slope*slope*dd
		variance = max(least, rest/(t.n-2))
		f.sure = math.Sqrt(variance * ridged / det)
		f.volts = (t.y - f.ohms*t.x - slope*t.d) / t.n
	}
	return f, true
}

const (
	leadOhms = iota
	leadSure
	leadDrop
	leadBand
)

func leadResistanceDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "lead-resistance", Subject: "controller", Priority: fleet.Medium,
			About: "the controller's voltage rises with its own current more than its peers' do, as behind a loose or thin lead",
			Thresholds: []fleet.Threshold{
				leadOhms: {Name: "resistance", Unit: fleet.Ohm, Default: 0.012, Min: 0.0005, Max: 1, Why: "beyond the others': ten metres there and back of 35 mm² copper have 0.01 Ω (resistivity 0.0175 Ω mm²/m)"},
				leadSure: {Name: "sure", Unit: fleet.Plain, Default: 4, Min: 0, Max: 20, Why: "standard errors below the estimate: what is left there must still be half of the resistance (four: once in 30,000 were the errors normal, which loads between two readings are not)"},
				leadDrop: {Name: "drop", Unit: fleet.Volt, Default: 0.2, Min: 0.01, Max: 10, Why: "at the largest current seen of late: less is within what a meter of 48 V drifts while its controller warms (0.3 %; common practice, no source)"},
				leadBand: {Name: "deadband", Unit: fleet.Ratio, Default: 0.3, Min: 0, Max: 1, Why: "share of the resistance below which it returns (common practice, no source)"},
			},
		},
		slow: true, judge: judgeLeadResistance, tell: tellLeadResistance,
	}
}

func judgeLeadResistance(w asked, now time.Time) finding {
	if !w.asked.IsZero() && now.Sub(w.asked) < 10*time.Minute {
		return unknown // it changes slowly, and is work
	}
	w.asked = now
	t, th := &w.unit.lead, &w.settings.thresholds
	f, ok := t.fit(w.unit.apart.step)
	doubt := th[leadSure] * f.sure
	switch {
	case !ok:
		return unknown
	case f.ohms >= th[leadOhms] && f.ohms-doubt >= th[leadOhms]/2 && f.ohms*t.most >= th[leadDrop]:
		return finding{verdict: Yes}
	case f.ohms < th[leadOhms]*(1-th[leadBand]) && doubt < th[leadOhms]/2:
		return no
	}
	return unknown
}

func tellLeadResistance(w asked, _ time.Time) words {
	u := w.unit
	f, _ := u.lead.fit(u.apart.step)
	amperes := max(u.lead.most, math.Abs(u.amperes.value))
	out := w.saying("the voltage at %s rises by %.0f mV for each ampere that it charges, beyond its peers': its leads have about %.0f mΩ too much, which makes %.0f W of heat at %.0f A",
		u.name, 1000*f.ohms, 1000*f.ohms, f.ohms*amperes*amperes, amperes)
	if math.Abs(f.volts) >= 0.1 {
		out.text += "; at no current it reads " + signed(f.volts) + " V, which is its calibration"
	}
	out.advice = "Feel for heat near lugs, fuses and breakers without touching bare metal, or look with an infrared camera while it charges; then switch off by the equipment's manual and retighten to the torque that is given there. A loose lug can start a fire."
	out.caution = cautionBattery
	out.figure("resistance", f.ohms, fleet.Ohm)
	out.figure("uncertainty", f.sure, fleet.Ohm)
	out.figure("offset", f.volts, fleet.Volt)
	return out
}
