package draw

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var zones = []string{
	"UTC", "Europe/Dublin", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe", "America/Sao_Paulo", "Asia/Beirut",
	"Pacific/Apia", "Africa/Cairo", "America/Havana", "Pacific/Chatham",
}

func load(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// round reports whether a person would call t a round time of a calendar with the step.
func round(t time.Time, s calendar) bool {
	h, m, sec := t.Clock()
	second := h*3600 + m*60 + sec
	first := t.Add(-time.Nanosecond).Day() != t.Day() // the first instant of its day
	switch {
	case s.months > 0:
		return first && t.Day() == 1 && (t.Year()*12+int(t.Month())-1)%s.months == 0
	case s.days == 7 || s.days == 14:
		return first && t.Weekday() == time.Monday
	case s.days > 0:
		return first
	}
	return second%s.seconds == 0
}

func TestTicksAreRoundOnTheLocalClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		from := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "from"), 0).In(zone)
		span := time.Duration(rapid.Int64Range(1, 40*365*86400).Draw(t, "seconds")) * time.Second
		if rapid.Bool().Draw(t, "short") {
			span /= 4000
		}
		most := rapid.IntRange(2, 20).Draw(t, "most")
		s := timeStep(span, most)
		ticks := timeTicks(from, from.Add(span), zone, s)
		for i, at := range ticks {
			if at.Before(from) || at.After(from.Add(span)) {
				t.Fatalf("tick %v lies outside %v to %v", at, from, from.Add(span))
			}
			if i > 0 && !at.After(ticks[i-1]) {
				t.Fatalf("tick %v follows %v", at, ticks[i-1])
			}
			if !round(at, s) {
				t.Fatalf("tick %v is not round by %+v", at, s)
			}
		}
		// One more than fit, and up to two more where the clock is put back.
		if len(ticks) > most+3 {
			t.Fatalf("%d ticks in %v by %+v, want at most about %d", len(ticks), span, s, most)
		}
	})
}

// No round time is left out: held against trying every quarter of an hour.
func TestTicksAreComplete(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		from := time.Unix(rapid.Int64Range(333_333, 2_222_222).Draw(t, "from")*900, 0).In(zone)
		to := from.Add(time.Duration(rapid.IntRange(4, 40*96).Draw(t, "quarters")) * 15 * time.Minute)
		s := timeStep(to.Sub(from), 12)
		if s.seconds > 0 && s.seconds < 900 {
			t.Skip("steps below a quarter of an hour are in another test")
		}
		var want []time.Time
		for at := from; !at.After(to); at = at.Add(15 * time.Minute) {
			again := s.seconds == 0 && len(want) > 0 && want[len(want)-1].YearDay() == at.YearDay() // a midnight that comes twice
			if round(at, s) && !again && (s.days == 0 || dayCounts(at, s)) {
				want = append(want, at)
			}
		}
		got := timeTicks(from, to, zone, s)
		if len(got) != len(want) {
			t.Fatalf("%v to %v by %+v: %d ticks %v, want %d %v", from, to, s, len(got), got, len(want), want)
		}
		for i := range got {
			if !got[i].Equal(want[i]) {
				t.Fatalf("tick %d is %v, want %v", i, got[i], want[i])
			}
		}
	})
}

func dayCounts(t time.Time, s calendar) bool {
	y, m, d := t.Date()
	return dayNumber(y, m, d)%s.days == 0
}

// Clocks in Ireland go forward at 01:00 on 29 March 2026 and back at 02:00 on 25 October 2026 (Directive 2000/84/EC:
// the last Sundays of March and October, 01:00 UTC).
func TestTicksOnDaylightSavingDays(t *testing.T) {
	zone := load(t, "Europe/Dublin")
	for _, tt := range []struct {
		month time.Month
		day   int
		hours []int
	}{
		{time.March, 29, []int{0, 2, 3, 4, 5}},
		{time.October, 25, []int{0, 1, 1, 2, 3, 4, 5}},
	} {
		from := time.Date(2026, tt.month, tt.day, 0, 0, 0, 0, zone)
		to := time.Date(2026, tt.month, tt.day, 5, 0, 0, 0, zone)
		ticks := timeTicks(from, to, zone, calendar{seconds: 3600})
		var hours []int
		for _, at := range ticks {
			hours = append(hours, at.Hour())
		}
		if len(hours) != len(tt.hours) {
			t.Fatalf("%v: hours %v, want %v", from, hours, tt.hours)
		}
		for i := range hours {
			if hours[i] != tt.hours[i] {
				t.Errorf("%v: hours %v, want %v", from, hours, tt.hours)
			}
		}
		days := timeTicks(from.AddDate(0, 0, -2), from.AddDate(0, 0, 2), zone, calendar{days: 1})
		if len(days) != 5 {
			t.Errorf("%d days about %v, want 5", len(days), from)
		}
	}
}

// A day that begins at 01:00, since the clock was put forward at midnight (Brazil, 4 November 2018).
func TestDayWithoutMidnight(t *testing.T) {
	zone := load(t, "America/Sao_Paulo")
	got := startOfDay(2018, time.November, 4, zone)
	if got.Day() != 4 || got.Hour() != 1 || got.Add(-time.Second).Day() != 3 {
		t.Errorf("4 November 2018 begins at %v, want 01:00", got)
	}
}

// The worked example of Heckbert, 'Nice Numbers for Graph Labels', Graphics Gems (1990): data from 105 to 543 with
// about five ticks get labels from 100 to 600 by 100. From memory.
func TestValueAxisOfTheLiterature(t *testing.T) {
	a := valueAxis(105, 543, 5)
	if a != (axis{100, 600, 100}) {
		t.Errorf("valueAxis(105, 543, 5) = %+v, want 100 to 600 by 100", a)
	}
}

func TestValueAxisIsNice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low, high := rapid.Float64().Draw(t, "low"), rapid.Float64().Draw(t, "high")
		n := rapid.IntRange(2, 10).Draw(t, "n")
		a := valueAxis(low, high, n)
		for _, v := range []float64{a.low, a.high, a.step} {
			if !finite(v) {
				t.Fatalf("valueAxis(%g, %g, %d) = %+v", low, high, n, a)
			}
		}
		mantissa := a.step / math.Pow(10, math.Floor(math.Log10(a.step)+1e-9))
		if math.Abs(mantissa-1) > 1e-6 && math.Abs(mantissa-2) > 1e-6 && math.Abs(mantissa-5) > 1e-6 {
			t.Fatalf("step %g is not 1, 2 or 5 times a power of ten", a.step)
		}
		if math.Abs(low) < huge && math.Abs(high) < huge && low < high && (a.low > low || a.high < high) {
			t.Fatalf("%+v does not hold %g to %g", a, low, high)
		}
		if ticks := a.ticks(); len(ticks) < 2 || len(ticks) > 3*n+3 {
			t.Fatalf("%d ticks for about %d: %+v", len(ticks), n, a)
		}
	})
}

func TestAxisLabels(t *testing.T) {
	for _, tt := range []struct {
		a    axis
		v    float64
		want string
	}{
		{axis{0, 1, 0.2}, 0.6000000000000001, "0.6"},
		{axis{24, 30, 2}, 26, "26"},
		{axis{-1, 1, 0.5}, -0.5, "−0.5"},
		{axis{-1, 1, 0.5}, math.Copysign(0, -1), "0.0"},
		{axis{0, 3000, 1000}, 2000, "2000"},
		{axis{0, 0.05, 0.01}, 0.03, "0.03"},
	} {
		if got := tt.a.label(tt.v); got != tt.want {
			t.Errorf("%+v.label(%g) = %q, want %q", tt.a, tt.v, got, tt.want)
		}
	}
}
