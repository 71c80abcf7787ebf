package draw

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// numeric are attributes that hold coordinates, and nothing that a person wrote.
var numeric = map[string]bool{
	"x": true, "y": true, "x1": true, "x2": true, "y1": true, "y2": true, "cx": true, "cy": true, "r": true, "width": true, "height": true,
	"d": true, "viewBox": true,
}

// walk reads a picture as XML and gives every attribute.
func walk(t *testing.T, svg string, attribute func(tag, key, value string)) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v in %.2000s", err, svg)
		}
		if e, ok := token.(xml.StartElement); ok {
			for _, a := range e.Attr {
				attribute(e.Name.Local, a.Name.Local, a.Value)
			}
		}
	}
}

// Whatever stands in a fleet file and whatever a device says: a picture is well-formed XML with finite coordinates, and
// drawing it ends.
func FuzzPictures(f *testing.F) {
	for _, name := range hostile {
		f.Add(name, 27.4, 0.0, int64(1.7e9), int64(86400), 366, 5, uint8(3))
	}
	f.Add(long(300), math.NaN(), math.Inf(1), int64(0), int64(0), 0, 200, uint8(255))
	f.Add("", -1e308, 1e308, int64(-1e12), int64(1e12), -1, 41, uint8(7))
	f.Add("x", 5e-324, -5e-324, int64(1e10), int64(-5), 100000, 1, uint8(0))
	f.Fuzz(func(t *testing.T, name string, a, b float64, from, span int64, width, n int, kind uint8) {
		n = max(0, min(n, 220))
		start, end := time.Unix(from, 0), time.Unix(from, 0).Add(time.Duration(span)*time.Second)
		for where, svg := range anything(name, a, b, start, end, width, n, kind) {
			walk(t, svg, func(tag, key, v string) {
				if numeric[key] && strings.ContainsAny(v, "NIe+") {
					t.Fatalf("%s: %s of a %s is %q", where, key, tag, v)
				}
			})
		}
	})
}

func anything(name string, a, b float64, from, to time.Time, width, n int, kind uint8) map[string]string {
	points := make([]Point, 0, n)
	for i := range n {
		v := a
		if i%2 == 1 {
			v = b
		}
		at := from.Add(time.Duration(float64(to.Sub(from)) * float64(i) / float64(n)))
		if kind&8 != 0 && i%5 == 0 {
			at = at.Add(-time.Hour)
		}
		points = append(points, Point{At: at, Value: v, Low: min(a, b), High: b})
	}
	s := Series{Name: name, Unit: name, Band: kind&1 != 0, Points: points, State: State(kind), Every: time.Duration(kind) * time.Second}
	ch := Chart{
		ID: name, Title: name, From: from, To: to, Now: from.Add(to.Sub(from) / 2), Width: width, Height: width, Lines: []Series{s, s}, Stack: kind&2 != 0,
		Zero: kind&4 != 0, Low: a, High: b, Levels: []Level{{name, a}, {name, b}}, Events: []Event{{from, name, State(kind)}, {to, name, Warn}},
	}
	r := ring(width, n, kind&1 != 0)
	r.Bank, r.Title = []string{name, name}, name
	st := Strip{Title: name, From: from, To: to, Width: width, Key: true, Rows: []StripRow{{Name: name, Note: name, State: State(kind), Spans: []StageSpan{{from, to, fleet.Stage(kind)}, {to, from, fleet.Bulk}}}}}
	h := Heat{Title: name, Width: width, Unit: name, Limit: a, State: State(kind), Days: []HeatDay{{Day: from, Hours: [24]float64{a, b, math.NaN(), a}}}}
	bs := Bars{Title: name, Width: width, High: b, Items: []Bar{{Name: name, Value: a, Text: name, State: State(kind)}}}
	co := Columns{Title: name, Width: width, Height: width, Names: []string{name, name}, Items: []Column{{name, []float64{a, b}}, {name, []float64{b, math.NaN(), a}}}}
	if n > 0 {
		r.Links[0].Health, r.Controllers[0].Stage, r.Controllers[0].State = Health(kind), fleet.Stage(kind), State(kind)
	}
	return map[string]string{
		"chart": string(ch.SVG()), "ring": string(r.SVG()), "strip": string(st.SVG()), "heat": string(h.SVG()), "bars": string(bs.SVG()),
		"columns": string(co.SVG()), "spark": string(Spark(s, width, width)), "mark": string(Mark(State(kind), width)),
	}
}
