package draw

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"time"
)

// bar prints how a measured time compares with what a page may spend on it.
func bar(b *testing.B, name string, want float64) {
	b.Helper()
	fmt.Fprintf(os.Stdout, "bar draw-%s = %.3f ms (want <= %g)\n", name, b.Elapsed().Seconds()*1000/float64(b.N), want)
}

func yearOfRollups(n int) Chart {
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, dublin())
	every := 365 * 24 * time.Hour / time.Duration(n)
	s := Series{Name: "alder", Unit: "V", Band: true, Every: every}
	for i := range n {
		v := 26 + 2*math.Sin(float64(i)/10)
		s.Points = append(s.Points, Point{At: from.Add(time.Duration(i) * every), Value: v, Low: v - 1, High: v + 1})
	}
	return Chart{Title: "a year", From: from, To: from.AddDate(1, 0, 0), Zone: dublin(), Width: 1500, Unit: "V", Lines: []Series{s}}
}

func BenchmarkYear(b *testing.B) {
	ch := yearOfRollups(1440)
	b.ReportAllocs()
	for b.Loop() {
		ch.SVG()
	}
	bar(b, "year", 3)
}

func BenchmarkDay(b *testing.B) {
	ch := voltage(960)
	day := ch.Lines[0].Points
	ch.Lines[0].Every, ch.Lines[0].Points = time.Minute, nil
	for i := 0; i < len(day); i += 6 {
		ch.Lines[0].Points = append(ch.Lines[0].Points, day[i])
	}
	b.ReportAllocs()
	for b.Loop() {
		ch.SVG()
	}
	bar(b, "day", 1)
}

func BenchmarkStack(b *testing.B) {
	ch := power(960)
	b.ReportAllocs()
	for b.Loop() {
		ch.SVG()
	}
	bar(b, "stack", 3)
}

func BenchmarkHeat(b *testing.B) {
	h := heat(640, 365)
	b.ReportAllocs()
	for b.Loop() {
		h.SVG()
	}
	bar(b, "heat-year", 10)
}

func BenchmarkRing(b *testing.B) {
	for _, n := range []int{5, 40, 200} {
		b.Run("controllers="+strconv.Itoa(n), func(b *testing.B) {
			r := ring(640, n, true)
			b.ReportAllocs()
			for b.Loop() {
				r.SVG()
			}
			bar(b, "ring-"+strconv.Itoa(n), 5)
		})
	}
}

func BenchmarkStrip(b *testing.B) {
	s := stages(960)
	b.ReportAllocs()
	for b.Loop() {
		s.SVG()
	}
	bar(b, "strip", 1)
}
