package alerts

import (
	"time"

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
