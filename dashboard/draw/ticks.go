package draw

import (
	"math"
	"strconv"
	"time"
)

// nice returns the round number nearest to x in its decade, or the smallest one that is not below it: 1, 2 or 5 times
// a power of ten (P. S. Heckbert, 'Nice Numbers for Graph Labels', Graphics Gems, 1990).
func nice(x float64, nearest bool) float64 {
	power := math.Pow(10, math.Floor(math.Log10(x)))
	f := x / power
	bounds := [3]float64{1, 2, 5}
	if nearest {
		bounds = [3]float64{1.5, 3, 7}
	}
	switch {
	case nearest && f < bounds[0] || !nearest && f <= bounds[0]:
		return power
	case nearest && f < bounds[1] || !nearest && f <= bounds[1]:
		return 2 * power
	case nearest && f < bounds[2] || !nearest && f <= bounds[2]:
		return 5 * power
	}
	return 10 * power
}

// An axis is a range of values with round ends and a round step.
type axis struct {
	low, high, step float64
}

// huge is the largest magnitude that is drawn; beyond it the arithmetic of the axis would overflow.
const huge = 1e15

// valueAxis returns the axis that holds [low, high] with about n steps: Heckbert's loose labelling.
func valueAxis(low, high float64, n int) axis {
	low, high = max(-huge, min(huge, low)), max(-huge, min(huge, high))
	low, high = min(low, high), max(low, high)
	if high-low < max(1e-12, 1e-9*max(math.Abs(low), math.Abs(high))) {
		pad := max(math.Abs(low)*0.01, 0.5)
		low, high = low-pad, high+pad
	}
	step := nice(nice(high-low, false)/float64(max(1, n)), true)
	return axis{step * math.Floor(low/step), step * math.Ceil(high/step), step}
}

// ticks returns the axis' round values, ends included.
func (a axis) ticks() []float64 {
	count := int(math.Round((a.high-a.low)/a.step)) + 1
	out := make([]float64, min(max(count, 0), 64))
	for i := range out {
		out[i] = math.Round(a.low/a.step+float64(i)) * a.step
	}
	return out
}

// label writes a value of the axis with the decimals that its step needs.
func (a axis) label(v float64) string {
	decimals := max(0, -int(math.Floor(math.Log10(a.step)+1e-9)))
	if math.Abs(v) < a.step/2 {
		v = 0 // and not minus zero
	}
	return minus(strconv.FormatFloat(v, 'f', min(decimals, 12), 64))
}

// minus puts the sign that is as wide as a digit.
func minus(s string) string {
	if len(s) > 0 && s[0] == '-' {
		return "−" + s[1:]
	}
	return s
}

// A calendar is a step of the time axis: some seconds of the local clock, some days or some months.
type calendar struct {
	seconds, days, months int
}

var steps = []calendar{
	{seconds: 1},
	{seconds: 2},
	{seconds: 5},
	{seconds: 10},
	{seconds: 15},
	{seconds: 30},
	{seconds: 60},
	{seconds: 120},
	{seconds: 300},
	{seconds: 600},
	{seconds: 900},
	{seconds: 1800},
	{seconds: 3600},
	{seconds: 2 * 3600},
	{seconds: 3 * 3600},
	{seconds: 6 * 3600},
	{seconds: 12 * 3600},
	{days: 1},
	{days: 2},
	{days: 7},
	{days: 14},
	{months: 1},
	{months: 2},
	{months: 3},
	{months: 6},
	{months: 12},
	{months: 24},
	{months: 60},
	{months: 120},
	{months: 240},
	{months: 600},
	{months: 1200},
	{months: 6000},
	{months: 12000},
}

// about returns the step's length in seconds; months count 30.4 days.
func (s calendar) about() float64 {
	return float64(s.seconds) + float64(s.days)*86400 + float64(s.months)*2629746
}

// timeStep returns the smallest calendar step of which at most n fit into the span.
func timeStep(span time.Duration, n int) calendar {
	for _, s := range steps {
		if span.Seconds() <= s.about()*float64(max(1, n)) {
			return s
		}
	}
	return steps[len(steps)-1]
}

// maxTicks bounds what odd zones and spans can give.
const maxTicks = 200

// timeTicks returns the instants of [from, to] that are round on the zone's clock by the step, in order. On a day of 23
// or 25 hours they stay round on the clock: an hour that comes twice gives two ticks, one that is left out gives none.
func timeTicks(from, to time.Time, zone *time.Location, s calendar) []time.Time {
	from, to = from.In(zone), to.In(zone)
	var out []time.Time
	add := func(t time.Time) bool {
		if !t.Before(from) && !t.After(to) && (len(out) == 0 || t.After(out[len(out)-1])) {
			out = append(out, t)
		}
		return !t.After(to) && len(out) < maxTicks
	}
	switch {
	case s.months > 0:
		first := (from.Year()*12 + int(from.Month()) - 1) / s.months * s.months
		for m := first; add(startOfDay(m/12, time.Month(m%12+1), 1, zone)); m += s.months {
		}
	case s.days > 0:
		y, m, d := from.Date()
		number := dayNumber(y, m, d)
		for n := number - number%s.days; add(startOfDay(1970, 1, 5+n, zone)); n += s.days {
		}
	default:
		clockTicks(from, s.seconds, add)
	}
	return out
}

// dayNumber counts days since Monday, 5 January 1970, so that multiples of seven are Mondays.
func dayNumber(y int, m time.Month, d int) int {
	n := int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix()/86400) - 4
	return max(n, 0)
}

// clockTicks gives the instants from t on at which the local clock's second of the day is a multiple of step. It walks
// by a quarter of an hour or less, since a zone may shift its clock between two ticks.
func clockTicks(t time.Time, step int, add func(time.Time) bool) {
	stride := min(step, 900)
	for tries := 0; tries < 40*maxTicks; tries++ {
		h, m, s := t.Clock()
		second := h*3600 + m*60 + s
		if second%step == 0 && t.Nanosecond() == 0 && !add(t) {
			return
		}
		t = t.Add(time.Duration(stride-second%stride)*time.Second - time.Duration(t.Nanosecond()))
	}
}

// startOfDay returns the first instant of a local day. In zones that shift their clocks at midnight that is not
// 00:00, and [time.Date] may land in the day before.
func startOfDay(y int, m time.Month, d int, zone *time.Location) time.Time {
	noon := time.Date(y, m, d, 12, 0, 0, 0, zone)
	day := noon.Day()
	t := time.Date(y, m, d, 0, 0, 0, 0, zone)
	for t.Day() != day {
		t = t.Add(15 * time.Minute)
	}
	for before := t.Add(-15 * time.Minute); before.Day() == day; before = before.Add(-15 * time.Minute) {
		t = before
	}
	return t
}

// label returns a tick's label, and the wider unit that is named where it changes.
func (s calendar) label(t time.Time) (near, wide string) {
	switch {
	case s.months >= 12:
		return t.Format("2006"), ""
	case s.months > 0:
		return t.Format("Jan"), t.Format("2006")
	case s.days > 0:
		return t.Format("2 Jan"), t.Format("2006")
	case s.seconds < 60:
		return t.Format("15:04:05"), t.Format("Mon 2 Jan 2006")
	}
	return t.Format("15:04"), t.Format("Mon 2 Jan 2006")
}
