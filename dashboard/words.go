package dashboard

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
)

// counted returns a number as people write it in a sentence, with its noun: "one controller", "12 controllers".
func counted(n int, one, many string) string {
	if n == 1 {
		return numeral(n) + " " + one
	}
	return numeral(n) + " " + many
}

var numerals = strings.Fields("no one two three four five six seven eight nine ten eleven twelve")

func numeral(n int) string {
	if n >= 0 && n < len(numerals) {
		return numerals[n]
	}
	return strconv.Itoa(n)
}

// sentence begins with a capital and ends with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	r := []rune(s)
	r[0] = []rune(strings.ToUpper(string(r[0])))[0]
	if s = string(r); strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

// joined returns "a", "a and b", "a, b and c".
func joined(parts []string) string {
	if len(parts) < 2 {
		return strings.Join(parts, "")
	}
	return strings.Join(parts[:len(parts)-1], ", ") + " and " + parts[len(parts)-1]
}

// lasted returns a time span as people say it, with one or two parts: "45 s", "6 min", "3 h 5 min", "2 d 4 h".
func lasted(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Second && d > 0:
		return strconv.FormatInt(max(d.Milliseconds(), 1), 10) + " ms"
	case d < 2*time.Minute:
		return strconv.Itoa(int(d.Round(time.Second).Seconds())) + " s"
	case d < time.Hour:
		return strconv.Itoa(int(d.Round(time.Minute).Minutes())) + " min"
	}
	m := int(d.Round(time.Minute).Minutes())
	if h := m / 60; h < 48 {
		return twoParts(h, "h", m%60, "min")
	}
	return twoParts(m/60/24, "d", m/60%24, "h")
}

// ago says how long something is past.
func ago(d time.Duration) string {
	if d < 2*time.Second {
		return "just now"
	}
	return lasted(d) + " ago"
}

func twoParts(a int, unitA string, b int, unitB string) string {
	s := strconv.Itoa(a) + " " + unitA
	if b > 0 {
		s += " " + strconv.Itoa(b) + " " + unitB
	}
	return s
}

// clock returns an instant by a site's own clock: the time alone if it is of the same day as now.
func clock(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	if t.Year() == now.Year() {
		return t.Format("2 January, 15:04")
	}
	return t.Format("2 January 2006, 15:04")
}

// dash stands where there is no value.
const dash = "–"

// minus is the sign that people read; '-' breaks lines and is too short.
const minus = "\u2212"

func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.HasPrefix(s, "-") {
		if strings.Trim(s, "-0.") == "" {
			return s[1:]
		}
		return minus + s[1:]
	}
	return s
}

// amount returns a number with its unit as people read it: watts from 10,000 on as kilowatts, joules as kilowatt
// hours, seconds in words.
func amount(v float64, u fleet.Unit) string {
	const space = "\u00a0"
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return dash
	case u == fleet.Watt && math.Abs(v) >= 9999.5:
		return fixed(v/1000, 1) + space + "kW"
	case u == fleet.Watt:
		return fixed(v, 0) + space + "W"
	case u == fleet.Joule:
		return energy(v)
	case u == fleet.Second:
		return lasted(time.Duration(v * float64(time.Second)))
	case u == fleet.VoltPerCelsiusCell:
		return fixed(v*1000, 1) + space + "mV/°C per cell"
	case u == fleet.Coulomb:
		return fixed(v/3600, 1) + space + "Ah"
	case u == fleet.Volt:
		return fixed(v, 1) + space + "V"
	case u == fleet.Ampere || u == fleet.Celsius:
		return fixed(v, 1) + space + string(u)
	case u == fleet.Ratio:
		return fixed(v*100, 1) + space + "%"
	case u == fleet.Plain:
		return plainNumber(v)
	}
	return plainNumber(v) + space + string(u)
}

func plainNumber(v float64) string {
	if v == math.Trunc(v) && math.Abs(v) < 1e15 {
		return fixed(v, 0)
	}
	return strings.Replace(strconv.FormatFloat(v, 'g', 6, 64), "-", minus, 1)
}

// energy returns joules as kilowatt hours.
func energy(joules float64) string {
	const space = "\u00a0"
	kwh := joules / 3.6e6
	switch {
	case math.Abs(kwh) >= 1000:
		return fixed(kwh/1000, 2) + space + "MWh"
	case math.Abs(kwh) >= 100:
		return fixed(kwh, 0) + space + "kWh"
	}
	return fixed(kwh, 1) + space + "kWh"
}

// said returns a reading as people read it, whatever it is of.
func said(r *reading) string {
	if r.Quality != fleet.Good {
		return dash
	}
	switch {
	case r.point.Form == fleet.FormText:
		return strings.TrimSpace(r.Text)
	case r.point.Quantity == fleet.QuantityStage:
		return fleet.Stage(r.Number).String()
	case len(r.point.Flags) > 0:
		return flagWords(r)
	case len(r.point.Names) > 0:
		if word := r.point.Word(r.Raw); word != "" {
			return word
		}
		return fmt.Sprintf("code %d", r.Raw)
	case r.point.Quantity.Shape() == fleet.ShapeTruth:
		return yesNo(r.Number != 0)
	}
	return amount(r.Number, r.point.Unit)
}

func flagWords(r *reading) string {
	var set []string
	for _, f := range r.point.Flags {
		if f.Code < 64 && r.Raw&(1<<f.Code) != 0 {
			set = append(set, f.Word)
		}
	}
	if len(set) == 0 {
		return "none"
	}
	return strings.Join(set, ", ")
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// label returns a point's name as people read it.
func label(p *fleet.Point) string { return sentenceCase(strings.ReplaceAll(p.Name, "_", " ")) }

func sentenceCase(s string) string { return strings.TrimSuffix(sentence(s), ".") }

var sourceWords = map[fleet.Source]string{
	fleet.PV: "sun", fleet.Wind: "wind", fleet.Hydro: "water", fleet.Other: "other",
}

func sourceWord(s fleet.Source) string {
	if w := sourceWords[s]; w != "" {
		return w
	}
	return string(s)
}

// stateWords say an alarm's state to people.
var stateWords = map[fleet.AlarmState]string{
	fleet.AlarmNormal:            "ended",
	fleet.Unacknowledged:         "not acknowledged",
	fleet.Acknowledged:           "acknowledged",
	fleet.ReturnedUnacknowledged: "gone, not acknowledged",
	fleet.Shelved:                "shelved",
	fleet.Suppressed:             "explained by another alarm",
	fleet.OutOfService:           "out of service",
}
