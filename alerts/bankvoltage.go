package alerts

import (
	"fmt"
	"time"

	"ringwarden/fleet"
)

const (
	voltsFloodedOver = iota
	voltsSealedOver
	voltsLeadUnder
	voltsLithiumOver
	voltsLithiumUnder
	voltsDeadband
)

func bankVoltageDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "bank-voltage", Subject: "ring", Priority: fleet.High, OnDelay: 2 * time.Minute, OffDelay: 2 * time.Minute,
			About: "the bank's voltage is above or below what its chemistry bears",
			Thresholds: []fleet.Threshold{
				voltsFloodedOver: {
					Name: "flooded_over", Unit: fleet.Volt, Default: 2.8, Min: 2.3, Max: 4,
					Why: "for each cell: an equalize at 2.55 V and -5 mV/°C stays below it down to -25 °C (common practice, no source)",
				},
				voltsSealedOver: {
					Name: "sealed_over", Unit: fleet.Volt, Default: 2.65, Min: 2.3, Max: 4,
					Why: "for each cell: an absorption at 2.4 V and -4 mV/°C stays below it down to -35 °C; sealed cells are not equalized (common practice, no source)",
				},
				voltsLeadUnder: {
					Name: "lead_under", Unit: fleet.Volt, Default: 1.85, Min: 1, Max: 2.2,
					Why: "for each cell: below it lead-acid is all but empty, also under load (common practice, no source)",
				},
				voltsLithiumOver: {
					Name: "lithium_over", Unit: fleet.Volt, Default: 3.7, Min: 3, Max: 5,
					Why: "for each cell, of iron phosphate, whose charging ends at 3.65 V (common practice, no source)",
				},
				voltsLithiumUnder: {
					Name: "lithium_under", Unit: fleet.Volt, Default: 2.8, Min: 1, Max: 3.4, Below: "lithium_over",
					Why: "for each cell, of iron phosphate, which must not be emptied below 2.5 V (common practice, no source)",
				},
				voltsDeadband: {Name: "deadband", Unit: fleet.Volt, Default: 0.03, Min: 0, Max: 1, Why: "for each cell: what a load that comes or goes moves (common practice, no source)"},
			},
		},
		slow: true, judge: judgeBankVoltage, tell: tellBankVoltage,
	}
}

// limits returns what the bank's cells bear, in volts each.
func (w *watch) voltageLimits() (under, over float64, ok bool) {
	th := &w.settings.thresholds
	switch w.ring.f.Bank.Chemistry {
	case fleet.FloodedLead:
		return th[voltsLeadUnder], th[voltsFloodedOver], true
	case fleet.SealedLead:
		return th[voltsLeadUnder], th[voltsSealedOver], true
	case fleet.Lithium:
		return th[voltsLithiumUnder], th[voltsLithiumOver], true
	}
	return 0, 0, false
}

// judgeBankVoltage goes by the middle of the controllers' readings, so that one that is off raises nothing here.
func judgeBankVoltage(w asked, _ time.Time) finding {
	n := cells(&w.ring.f.Bank)
	under, over, ok := w.voltageLimits()
	volts, told := w.ring.bank.middle()
	if n == 0 || !ok || !told {
		return unknown
	}
	each, band := volts/float64(n), w.settings.thresholds[voltsDeadband]
	switch {
	case each > over || each < under:
		return finding{verdict: Yes}
	case w.active() && (each > over-band || each < under+band):
		return unknown
	}
	return no
}

func tellBankVoltage(w asked, _ time.Time) words {
	n := cells(&w.ring.f.Bank)
	under, over, _ := w.voltageLimits()
	volts, _ := w.ring.bank.middle()
	each := volts / float64(max(n, 1))
	out := w.saying("the bank has %.1f V, %.2f V for each of its %d cells; %s bears %.2f to %.2f V", volts, each, n, chemistryName(w.ring.f.Bank.Chemistry), under, over)
	out.advice = "See whether the charging targets and the temperature that the controllers use are right, and which of them charges; look at cells that are hot or gas."
	if each < under {
		out.advice = "Switch off what can be spared, see whether every source works, and charge the bank soon: it suffers while it is empty."
	}
	out.caution = cautionBattery
	out.figure("voltage", volts, fleet.Volt)
	out.figure("per_cell", each, fleet.Volt)
	return out
}

func chemistryName(c fleet.Chemistry) string {
	switch c {
	case fleet.FloodedLead:
		return "flooded lead-acid"
	case fleet.SealedLead:
		return "sealed lead-acid"
	case fleet.Lithium:
		return "lithium iron phosphate"
	}
	return "this battery"
}

const (
	warmLeadHot = iota
	warmLeadCold
	warmLithiumHot
	warmLithiumCold
	warmDeadband
)

func bankTemperatureDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "bank-temperature", Subject: "ring", Priority: fleet.High, OnDelay: 5 * time.Minute, OffDelay: 5 * time.Minute,
			About: "the bank is hotter or colder than its chemistry bears",
			Thresholds: []fleet.Threshold{
				warmLeadHot:     {Name: "lead_hot", Unit: fleet.Celsius, Default: 50, Min: 20, Max: 90, Why: "lead-acid dries out and can run away thermally above it (common practice, no source)"},
				warmLeadCold:    {Name: "lead_cold", Unit: fleet.Celsius, Default: -20, Min: -50, Max: 20, Why: "half empty lead-acid freezes near it (common practice, no source)"},
				warmLithiumHot:  {Name: "lithium_hot", Unit: fleet.Celsius, Default: 55, Min: 20, Max: 90, Why: "above it cells age fast and many protections open (common practice, no source)"},
				warmLithiumCold: {Name: "lithium_cold", Unit: fleet.Celsius, Default: 0, Min: -40, Max: 20, Why: "while it is charged: below it lithium plates, which does not heal (common practice, no source)"},
				warmDeadband:    {Name: "deadband", Unit: fleet.Celsius, Default: 2, Min: 0, Max: 20, Why: "what a bank moves in an hour (common practice, no source)"},
			},
		},
		slow: true, judge: judgeBankTemperature, tell: tellBankTemperature,
	}
}

// temperatureLimits returns what the bank bears; cold is told for lithium only while it is charged.
func (w *watch) temperatureLimits() (cold, hot float64, ok bool) {
	th := &w.settings.thresholds
	switch c := w.ring.f.Bank.Chemistry; {
	case lead(c):
		return th[warmLeadCold], th[warmLeadHot], true
	case c == fleet.Lithium:
		return th[warmLithiumCold], th[warmLithiumHot], true
	}
	return 0, 0, false
}

func (r *ring) charging(now time.Time) bool {
	for _, u := range r.units {
		if fresh(u.stage.at, u.stage.period, now) && awake(u.stage.is) {
			return true
		}
	}
	return false
}

// judgeBankTemperature believes the reference's sensor, and nothing where that is lost.
func judgeBankTemperature(w asked, now time.Time) finding {
	cold, hot, ok := w.temperatureLimits()
	ref := w.ring.reference.unit
	if !ok || ref == nil || w.ring.reference.lost || !fresh(ref.heat.at, ref.heatPeriod(), now) || ref.presence.stands() {
		return unknown
	}
	t, band := ref.heat.value, w.settings.thresholds[warmDeadband]
	if w.ring.f.Bank.Chemistry == fleet.Lithium && !w.ring.charging(now) {
		cold = -273.15
	}
	switch {
	case t > hot || t < cold:
		return finding{verdict: Yes}
	case w.active() && (t > hot-band || t < cold+band):
		return unknown
	}
	return no
}

func tellBankTemperature(w asked, _ time.Time) words {
	cold, hot, _ := w.temperatureLimits()
	ref := w.ring.reference.unit
	if ref == nil {
		return w.saying("the bank is too hot or too cold")
	}
	t := ref.heat.value
	limit := fmt.Sprintf("at most %.0f °C", hot)
	out := words{}
	if t < hot {
		limit = fmt.Sprintf("at least %.0f °C", cold)
	}
	out = w.saying("the bank has %.1f °C by the sensor of %s; %s wants %s", t, ref.name, chemistryName(w.ring.f.Bank.Chemistry), limit)
	if t < hot && w.ring.f.Bank.Chemistry == fleet.Lithium {
		out.text += " while it is charged"
	}
	out.advice = "Measure at the battery with another thermometer. If it is true, stop charging by the means that the battery's manual names, warm or cool the room, and look for a cell that is hotter than the others."
	out.caution = cautionBattery
	out.figure("temperature", t, fleet.Celsius)
	return out
}
