package alerts

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"ringwarden/fleet"
)

const (
	voltsApart = iota
	voltsApartBand
)

func bankVoltageSplitDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "bank-voltage-split", Subject: "controller", Priority: fleet.Medium, OnDelay: 10 * time.Minute, OffDelay: 10 * time.Minute,
			About: "the controller sees another voltage on the bank than its peers",
			Thresholds: []fleet.Threshold{
				voltsApart: {
					Name: "difference", Unit: fleet.Ratio, Default: 0.015, Min: 0.001, Max: 0.5,
					Why: "of the others' median, beyond the step in which readings come: more than two readings of 0.5 % each and a usual lead at full current differ (common practice, no source)",
				},
				voltsApartBand: {Name: "deadband", Unit: fleet.Ratio, Default: 0.005, Min: 0, Max: 0.1, Below: "difference", Why: "what currents move it (common practice, no source)"},
			},
		},
		slow: true, judge: judgeBankVoltageSplit, tell: tellBankVoltageSplit,
	}
}

// judgeBankVoltageSplit goes by the median of five readings, and gives the leads' resistance as the explanation where that was found.
func judgeBankVoltageSplit(w asked, now time.Time) finding {
	u := w.unit
	others, ok := w.ring.bank.others(u.voltage.value)
	if !ok || !u.voltage.fresh(now) || u.presence.stands() || others <= 0 {
		return unknown
	}
	off, ok := u.apart.middle()
	if !ok {
		return unknown
	}
	d := Disagreement{Limit: w.settings.thresholds[voltsApart]*others + u.apart.step, Deadband: w.settings.thresholds[voltsApartBand] * others}
	f := finding{verdict: d.Judge(off, 0, w.active())}
	if l := u.watch[leadResistance]; f.verdict == Yes && l.active() {
		f.because = l.use()
	}
	return f
}

func tellBankVoltageSplit(w asked, _ time.Time) words {
	u := w.unit
	others, _ := w.ring.bank.others(u.voltage.value)
	off, _ := u.apart.middle()
	out := w.saying("%s reads %.2f V on the bank and its peers %.2f V, although they share it", u.name, others+off, others)
	if len(w.ring.bank.sorted) < 3 {
		out.text += "; with two of them nobody can say from here which one is wrong"
	}
	out.advice = "Measure with a meter at the terminals of " + u.name + " and at the bank's posts. If the terminals differ from the posts, look at lugs, fuses and leads; if they do not, the controller reads wrong and charges to a wrong target."
	out.caution = cautionBattery
	out.figure("voltage", others+off, fleet.Volt)
	out.figure("peers", others, fleet.Volt)
	return out
}

// leadTrack is what was seen of a controller's voltage against the others' at each current. Its offset there grows with
// the resistance of its leads, beyond the others'; what it is at no current is its calibration.
type leadTrack struct {
	bins [leadBins]leadBin
	at   time.Time
}

const (
	leadBins    = 24
	leadBinSize = 4.0       // A
	leadForgets = 0.97      // of a bin stays at each reading in it: what came loose shows after an hour at that current
	leadEnough  = 15.0      // readings that make a bin count
	leadFades   = 30 * 3600 // s after which a bin that no reading fell into does not count: it may be of before it came loose
)

type leadBin struct {
	n, amperes, volts float64 // readings, and sums over them, older ones weighing less
	at                int64   // of the newest, in Unix seconds
}

func (t *leadTrack) see(amperes, offset float64, at time.Time) {
	if amperes < 0 || !at.After(t.at) {
		return
	}
	t.at = at
	b := &t.bins[min(int(amperes/leadBinSize), leadBins-1)]
	b.at = at.Unix()
	b.n = b.n*leadForgets + 1
	b.amperes = b.amperes*leadForgets + amperes
	b.volts = b.volts*leadForgets + offset
}

// resistance returns the Theil-Sen slope of offset on current, in ohms, the offset at no current, in volts, and over how
// many amperes it was seen. Each bin is one point, so that the hours at little current do not outweigh the rest.
func (t *leadTrack) resistance() (ohms, volts, over float64, ok bool) {
	var x, y [leadBins]float64
	n := 0
	for i := range t.bins {
		if b := &t.bins[i]; b.n >= leadEnough && t.at.Unix()-b.at < leadFades {
			x[n], y[n] = b.amperes/b.n, b.volts/b.n
			n++
		}
	}
	if n < 4 {
		return 0, 0, 0, false
	}
	ohms, volts = theilSen(x[:n], y[:n])
	return ohms, volts, x[n-1] - x[0], true
}

// theilSen returns the median of the slopes between all pairs of points, and the median of what they leave of y (Theil
// 1950, Sen 1968). The points are in the order of x, without doubles.
func theilSen(x, y []float64) (slope, intercept float64) {
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
		}
	}
	slope = median(slopes)
	rest := make([]float64, len(x))
	for i := range x {
		rest[i] = y[i] - slope*x[i]
	}
	return slope, median(rest)
}

// median returns the middle of the values, or the mean of the two in the middle; it orders them.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return stat.Mean(v[n/2-1:n/2+1], nil)
}

const (
	leadOhms = iota
	leadOver
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
				leadOver: {Name: "over", Unit: fleet.Ampere, Default: 12, Min: 1, Max: 1000, Why: "currents must have been seen over as wide a range, or a drift would pass for a slope (common practice, no source)"},
				leadDrop: {Name: "drop", Unit: fleet.Volt, Default: 0.25, Min: 0.01, Max: 10, Why: "at the largest current seen: less is within what readings of 0.1 V resolve"},
				leadBand: {Name: "deadband", Unit: fleet.Ratio, Default: 0.3, Min: 0, Max: 1, Why: "share of the resistance below which it returns (common practice, no source)"},
			},
		},
		slow: true, judge: judgeLeadResistance, tell: tellLeadResistance,
	}
}

func judgeLeadResistance(w asked, now time.Time) finding {
	t, th := &w.unit.lead, &w.settings.thresholds
	if !w.asked.IsZero() && now.Sub(w.asked) < 10*time.Minute {
		return unknown // it changes slowly, and is work
	}
	w.asked = now
	ohms, _, over, ok := t.resistance()
	switch {
	case !ok || over < th[leadOver]:
		return unknown
	case ohms >= th[leadOhms] && ohms*over >= th[leadDrop]:
		return finding{verdict: Yes}
	case ohms < th[leadOhms]*(1-th[leadBand]):
		return no
	}
	return unknown
}

func tellLeadResistance(w asked, _ time.Time) words {
	u := w.unit
	ohms, volts, over, _ := u.lead.resistance()
	amperes := max(over, math.Abs(u.amperes.value))
	out := w.saying("the voltage at %s rises by %.0f mV for each ampere that it charges, beyond its peers': its leads have about %.0f mΩ too much, which makes %.0f W of heat at %.0f A",
		u.name, 1000*ohms, 1000*ohms, ohms*amperes*amperes, amperes)
	if math.Abs(volts) >= 0.1 {
		out.text += "; at no current it reads " + signed(volts) + " V, which is its calibration"
	}
	out.advice = "Feel for heat near lugs, fuses and breakers without touching bare metal, or look with an infrared camera while it charges; then switch off by the equipment's manual and retighten to the torque that is given there. A loose lug can start a fire."
	out.caution = cautionBattery
	out.figure("resistance", ohms, fleet.Ohm)
	out.figure("offset", volts, fleet.Volt)
	out.figure("over", over, fleet.Ampere)
	return out
}
