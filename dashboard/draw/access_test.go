package draw

import (
	"html/template"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// Whoever cannot see a picture hears its title and what it shows (WCAG 2.2, 1.1.1).
func TestPicturesAreNamed(t *testing.T) {
	for name, svg := range pictures(640) {
		root := elements(t, string(svg), "svg")[0]
		for _, ref := range strings.Fields(root["aria-labelledby"]) {
			_, rest, ok := strings.Cut(string(svg), ` id="`+ref+`">`)
			if text, _, _ := strings.Cut(rest, "<"); !ok || strings.TrimSpace(text) == "" {
				t.Errorf("%s: %s says nothing", name, ref)
			}
		}
		if root["role"] != "img" && root["role"] != "group" {
			t.Errorf("%s has the role %q", name, root["role"])
		}
		if root["role"] == "img" && len(elements(t, string(svg), "a")) > 0 {
			t.Errorf("%s is an image, and has links that nobody could reach", name)
		}
	}
}

func TestDescriptions(t *testing.T) {
	for _, tt := range []struct{ svg, want string }{
		{string(ring(640, 5, true).SVG()), "5 controllers in a ring; 1 abnormal. Cables: 2 good, 1 noisy, 1 without frames, 1 not known."},
		{string(stages(640).SVG()), "cedar: off 4 h 30 min, idle 6 h 30 min, bulk 2 h, absorption 4 h 36 min, float 54 min, did not follow into float."},
		{string(heat(640, 31).SVG()), "31 days, 719 hours with data."},
		{string(columns(640).SVG()), "hydro 150 kWh in all."},
		{string(columns(640).SVG()), "1 of 31 without data."},
		{string(bars(640).SVG()), "cedar: 41 kWh/kW, medium alarm."},
		{string(voltage(640).SVG()), "From 20 Mar 2026 00:00 to 21 Mar 2026 00:00."},
	} {
		if !strings.Contains(tt.svg, tt.want) {
			_, desc, _ := strings.Cut(tt.svg, "<desc")
			t.Errorf("the description does not say %q: %.600s", tt.want, desc)
		}
	}
}

// Two drawings of one thing stand in one page: an id that comes twice would let one paint with the other's patterns,
// which a browser does not do while the other is hidden.
func TestBothDrawingsHaveTheirOwnIDs(t *testing.T) {
	html := string(Both(366, 960, func(width int, ending string) template.HTML {
		s := stages(width)
		s.ID += ending
		return s.SVG()
	}))
	seen := map[string]bool{}
	for _, piece := range strings.Split(html, ` id="`)[1:] {
		id, _, _ := strings.Cut(piece, `"`)
		if seen[id] {
			t.Errorf("the id %s comes twice", id)
		}
		seen[id] = true
	}
	if len(seen) < 20 {
		t.Errorf("only %d ids", len(seen))
	}
	for _, piece := range strings.Split(html, "url(#")[1:] {
		if id, _, _ := strings.Cut(piece, ")"); !seen[id] {
			t.Errorf("a fill uses %s, which is nowhere", id)
		}
	}
}

// hatched returns the pieces of 'no data' in a picture.
func hatched(t *testing.T, svg string) []span {
	t.Helper()
	var out []span
	for _, r := range elements(t, svg, "rect") {
		if r["class"] == "dr-none" {
			x, errX := strconv.ParseFloat(r["x"], 64)
			w, errW := strconv.ParseFloat(r["width"], 64)
			if errX != nil || errW != nil {
				t.Fatalf("rect %v", r)
			}
			out = append(out, span{x, x + w})
		}
	}
	return out
}

// No data is shown as no data, where it is, and the future is not 'no data'.
func TestNoDataIsHatched(t *testing.T) {
	from := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	s := Series{Unit: "V", Every: time.Minute}
	for i := range 24 * 60 {
		if h := i / 60; h < 6 || h >= 9 && h < 18 {
			s.Points = append(s.Points, Point{At: from.Add(time.Duration(i) * time.Minute), Value: 25})
		}
	}
	p := newPlot(960, from, from.AddDate(0, 0, 1), time.UTC)
	at := func(hour float64) float64 { return p.x(from.Add(time.Duration(hour * float64(time.Hour)))) }
	want := []span{{at(6), at(9)}, {at(18), at(20)}}
	for _, stacked := range []bool{false, true} {
		got := hatched(t, string(Chart{From: p.from, To: p.to, Now: from.Add(20 * time.Hour), Width: 960, Lines: []Series{s}, Stack: stacked}.SVG()))
		if len(got) != len(want) {
			t.Fatalf("stacked %t: hatched %v, want %v", stacked, got, want)
		}
		for i := range got {
			if math.Abs(got[i].from-want[i].from) > 2 || math.Abs(got[i].to-want[i].to) > 2 {
				t.Errorf("stacked %t: hatched %v, want %v", stacked, got[i], want[i])
			}
		}
	}
	fresh := Chart{From: p.from, To: p.to, Now: from.Add(18*time.Hour + 90*time.Second), Width: 6000, Lines: []Series{s}}
	for _, overdue := range []bool{false, true} {
		if overdue {
			fresh.Now = from.Add(18*time.Hour + 10*time.Minute)
		}
		if got := len(hatched(t, string(fresh.SVG()))); got != map[bool]int{false: 1, true: 2}[overdue] {
			t.Errorf("overdue %t: %d pieces hatched", overdue, got)
		}
	}
	strip := Strip{From: p.from, To: p.to, Now: from.Add(20 * time.Hour), Width: 960, Rows: []StripRow{{Name: "alder", Spans: []StageSpan{
		{from.Add(-time.Hour), from.Add(6 * time.Hour), fleet.Idle}, {from.Add(9 * time.Hour), from.Add(18 * time.Hour), fleet.Bulk},
	}}}}
	got := hatched(t, string(strip.SVG()))
	if len(got) != 2 || math.Abs(got[0].from-want[0].from) > 0.1 || math.Abs(got[1].to-want[1].to) > 0.1 {
		t.Errorf("strip: hatched %v, want %v", got, want)
	}
}
