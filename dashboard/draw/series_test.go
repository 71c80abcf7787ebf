package draw

import (
	"encoding/json"
	"encoding/xml"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// drawSeries makes points about one period apart, with gaps, NaN and spikes.
func drawSeries(t *rapid.T, from time.Time) Series {
	n := rapid.IntRange(1, 3000).Draw(t, "n")
	s := Series{Name: "x", Unit: "V", Every: 10 * time.Second}
	seed := rapid.Uint64().Draw(t, "seed")
	at := from
	for range n {
		seed = seed*6364136223846793005 + 1442695040888963407
		at = at.Add(10 * time.Second)
		switch seed >> 58 {
		case 0:
			at = at.Add(10 * time.Minute)
		case 1:
			s.Points = append(s.Points, Point{At: at, Value: math.NaN()})
			continue
		}
		s.Points = append(s.Points, Point{At: at, Value: float64(int64(seed>>32)%1000) / 10})
	}
	return s
}

// A spike of one reading in a day must stay visible: each pixel column keeps its least and its greatest reading.
func TestThinningKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := time.Unix(1.7e9, 0)
		s := drawSeries(t, from)
		p := newPlot(float64(rapid.IntRange(240, 1200).Draw(t, "width")), from, s.Points[len(s.Points)-1].At.Add(time.Second), time.UTC)
		type ends struct{ low, high float64 }
		want, got := map[float64]ends{}, map[float64]ends{}
		widen := func(m map[float64]ends, x, v float64) {
			e, ok := m[math.Floor(x)]
			if !ok {
				e = ends{v, v}
			}
			m[math.Floor(x)] = ends{min(e.low, v), max(e.high, v)}
		}
		for _, pt := range s.Points {
			if finite(pt.Value) {
				widen(want, p.x(pt.At), pt.Value)
			}
		}
		spots, pieces := 0, 0
		for _, r := range s.runs(&p) {
			pieces++
			for i, sp := range r {
				widen(got, sp.x, sp.value)
				spots++
				if i > 0 && sp.x < r[i-1].x {
					t.Fatalf("x goes back from %g to %g", r[i-1].x, sp.x)
				}
			}
		}
		for column, w := range want {
			if got[column] != w {
				t.Fatalf("column %g has %v, want %v", column, got[column], w)
			}
		}
		if most := 2 * (int(p.right-p.left) + 1 + pieces); spots > most {
			t.Fatalf("%d spots for %g pixels in %d pieces", spots, p.right-p.left, pieces)
		}
	})
}

// A gap of more than three periods is never bridged, and neither is a reading that is no number.
func TestRunsBreakAtGaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := time.Unix(1.7e9, 0)
		s := drawSeries(t, from)
		want, last := 0, time.Time{}
		broken := true
		for _, pt := range s.Points {
			if !finite(pt.Value) {
				broken = true
				continue
			}
			if broken || pt.At.Sub(last) > 30*time.Second {
				want++
			}
			broken, last = false, pt.At
		}
		p := newPlot(960, from, s.Points[len(s.Points)-1].At.Add(time.Second), time.UTC)
		if got := len(s.runs(&p)); got != want {
			t.Fatalf("%d pieces, want %d", got, want)
		}
	})
}

// The mean line of rollups is thinned; the band must still reach every least and greatest reading.
func TestBandKeepsExtremes(t *testing.T) {
	from := time.Unix(1.7e9, 0)
	s := Series{Band: true, Every: time.Minute}
	for i := range 5000 {
		s.Points = append(s.Points, Point{At: from.Add(time.Duration(i) * time.Minute), Value: 25, Low: 24, High: 26})
	}
	s.Points[1234].High, s.Points[4321].Low = 99, -3
	p := newPlot(400, from, from.Add(5000*time.Minute), time.UTC)
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range s.runs(&p) {
		for _, sp := range r {
			low, high = min(low, sp.low), max(high, sp.high)
		}
	}
	if low != -3 || high != 99 {
		t.Errorf("the band reaches from %g to %g, want -3 to 99", low, high)
	}
}

// elements returns the attributes of each element of a name.
func elements(t testing.TB, svg, name string) []map[string]string {
	t.Helper()
	var out []map[string]string
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if err != nil {
			return out
		}
		if e, ok := token.(xml.StartElement); ok && e.Name.Local == name {
			m := map[string]string{}
			for _, a := range e.Attr {
				m[a.Name.Local] = a.Value
			}
			out = append(out, m)
		}
	}
}

var numeral = regexp.MustCompile(`-?(?:\d+\.?\d*|\.\d+)`)

// readBack does what crosshair.js does: from the path and the data-plot attribute back to values by pixel.
func readBack(t *testing.T, svg, name string) map[int]float64 {
	t.Helper()
	var a aim
	for _, g := range elements(t, svg, "g") {
		if g["data-plot"] != "" {
			if err := json.Unmarshal([]byte(g["data-plot"]), &a); err != nil {
				t.Fatal(err)
			}
		}
	}
	out := map[int]float64{}
	for _, p := range elements(t, svg, "path") {
		if p["data-name"] != name {
			continue
		}
		for _, piece := range strings.Split(p["d"], "M")[1:] {
			x, y := 0.0, 0.0
			n := numeral.FindAllString(piece, -1)
			for i := 0; i+1 < len(n); i += 2 {
				dx, _ := strconv.ParseFloat(n[i], 64)
				dy, _ := strconv.ParseFloat(n[i+1], 64)
				x, y = x+dx, y+dy
				out[int(x)] = a.Low + (a.Bottom-y)/(a.Bottom-a.Top)*(a.High-a.Low)
			}
		}
	}
	return out
}

// What the cross-hair says is what was measured, to a tenth of a pixel.
func TestValuesCanBeReadBack(t *testing.T) {
	ch := voltage(900)
	from := ch.From
	ch.Levels, ch.Events = nil, nil
	ch.Lines[0].Every = time.Hour
	ch.Lines[0].Points = nil
	for i := range 24 {
		ch.Lines[0].Points = append(ch.Lines[0].Points, Point{At: from.Add(time.Duration(i) * time.Hour), Value: 24 + 4*math.Sin(float64(i))})
	}
	p := newPlot(900, ch.From, ch.To, ch.Zone)
	got := readBack(t, string(ch.SVG()), "bank")
	for _, pt := range ch.Lines[0].Points {
		x := p.x(pt.At)
		v, ok := got[int(math.Round(x*10)/10)]
		if !ok || math.Abs(v-pt.Value) > 0.01 {
			t.Errorf("at %v read back %g (%t), want %g", pt.At, v, ok, pt.Value)
		}
	}
}

// Stacked areas hold energy: the highest edge is the sum of the series, and no data is not zero.
func TestStackAddsUp(t *testing.T) {
	from := time.Unix(1.7e9, 0)
	p := newPlot(360+38+8, from, from.Add(360*time.Minute), time.UTC)
	var a, b Series
	for i := range 360 {
		at := from.Add(time.Duration(i) * time.Minute)
		a.Points = append(a.Points, Point{At: at, Value: 100})
		if i < 100 || i >= 200 {
			b.Points = append(b.Points, Point{At: at, Value: float64(i)})
		}
	}
	layers := stack(&p, []Series{a, b})
	for k := range 360 {
		want, known := 100+float64(k), k < 100 || k >= 200
		if got := layers[1].tops[k]; known && math.Abs(got-want) > 1.5 {
			t.Errorf("column %d is %g high, want %g", k, got, want)
		}
		if k > 101 && k < 198 && (layers[1].known[k] || layers[1].tops[k] != 100) {
			t.Errorf("column %d: known %t, %g high; want unknown and 100", k, layers[1].known[k], layers[1].tops[k])
		}
	}
	if got := unknown(layers, 360); len(got) != 1 || got[0].from < 99 || got[0].to > 201 {
		t.Errorf("unknown(…) = %v, want one span about 100 to 200", got)
	}
}
