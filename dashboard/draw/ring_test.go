package draw

import (
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"ringwarden/fleet"
)

// Each controller and each cable is there once, can be found by its id, and can be reached with the keyboard.
func TestRingHasEverything(t *testing.T) {
	for _, width := range []int{366, 640, 1120} {
		for _, n := range []int{0, 1, 2, 3, 5, 8, 13, 40, 200} {
			for _, open := range []bool{false, true} {
				r := ring(width, n, true)
				r.Open = open
				svg := string(r.SVG())
				want := map[string]int{}
				for i := range n {
					want[r.Controllers[i].ID]++
				}
				for i := range r.linkCount() {
					want["link"+strconv.Itoa(i)]++
				}
				got := map[string]int{}
				for _, g := range elements(t, svg, "g") {
					if id := g["data-id"]; id != "" {
						got[id]++
					}
				}
				if len(got) != len(want) {
					t.Errorf("%d wide, %d controllers, open %t: %d elements with ids, want %d", width, n, open, len(got), len(want))
				}
				for id := range want {
					if got[id] != 1 {
						t.Errorf("%d wide, %d controllers: %s is there %d times", width, n, id, got[id])
					}
				}
				links := elements(t, svg, "a")
				for _, a := range links {
					if !strings.HasPrefix(a["href"], "/") {
						t.Errorf("link without a place: %v", a)
					}
				}
				if named := namedLink.FindAllString(svg, -1); len(named) != len(links) {
					t.Errorf("%d of %d links have a name", len(named), len(links))
				}
			}
		}
	}
}

// namedLink is a link that begins with its name.
var namedLink = regexp.MustCompile(`<a [^>]*><title>[^<]+</title>`)

func TestRingLinkCount(t *testing.T) {
	for _, tt := range []struct {
		n    int
		open bool
		want int
	}{{0, false, 0}, {1, false, 0}, {1, true, 0}, {2, false, 2}, {2, true, 1}, {5, false, 5}, {5, true, 4}} {
		r := Ring{Controllers: make([]RingUnit, tt.n), Open: tt.open}
		real := fleet.Ring{Controllers: make([]fleet.Controller, tt.n), Open: tt.open}
		if got := r.linkCount(); got != tt.want || got != len(real.Links()) {
			t.Errorf("%d controllers, open %t: %d cables, want %d; the fleet has %d", tt.n, tt.open, got, tt.want, len(real.Links()))
		}
	}
}

// What is abnormal has a shape, a word and its number, whatever the size: at its place or in the list below.
func TestTroubleHasWordsAtEverySize(t *testing.T) {
	for _, width := range []int{300, 366, 640, 1120} {
		for _, n := range []int{2, 3, 5, 8, 13, 40, 200} {
			r := ring(width, n, true)
			var words []string
			for i := range r.linkCount() {
				if k := r.at(i); k.Health == LinkNoisy || k.Health == LinkDown {
					words = append(words, k.word())
				}
			}
			for i := range r.Controllers {
				if r.Controllers[i].State.Abnormal() {
					words = append(words, r.Controllers[i].Note)
				}
			}
			drawn := ""
			for _, s := range texts(t, string(r.SVG())) {
				drawn += s + "\n"
			}
			for _, w := range words {
				if !strings.Contains(drawn, w) {
					t.Errorf("%d wide, %d controllers: nothing says %q:\n%s", width, n, w, drawn)
				}
			}
		}
	}
}

// A cable's line tells its health without colour.
func TestCablesDifferWithoutColour(t *testing.T) {
	seen := map[string]Health{}
	for _, h := range []Health{LinkUnknown, LinkGood, LinkNoisy, LinkDown} {
		r := ring(640, 3, false)
		r.Links[1].Health = h
		shape := ""
		for _, p := range elements(t, string(r.SVG()), "path") {
			shape += strings.ReplaceAll(p["class"], h.State().Class(), "") + p["d"] + "\n"
		}
		if other, ok := seen[shape]; ok {
			t.Errorf("%v and %v have the same lines", h, other)
		}
		seen[shape] = h
	}
}

func TestCallIsSeen(t *testing.T) {
	r := ring(640, 5, false)
	if strings.Contains(string(r.SVG()), "dr-call") {
		t.Error("a call is drawn where there is none")
	}
	r.Call = &RingCall{Stage: fleet.Float, Starter: 3, Reached: []int{4, 0}}
	svg := string(r.SVG())
	if !strings.Contains(svg, "dr-call-line") || !strings.Contains(svg, "float call: 3 of 5") {
		t.Error("a call from 3 by 4 to 0 is not drawn")
	}
	r.Call = &RingCall{Stage: fleet.Float, Starter: -1, Reached: []int{0, 1, 2, 3, 4}}
	if svg := string(r.SVG()); !strings.Contains(svg, "dr-call-line") || !strings.Contains(svg, "float call: 5 of 5") {
		t.Error("a call round the whole ring is not drawn where nobody knows who began it")
	}
	r.Call.Reached = r.Call.Reached[1:]
	if strings.Contains(string(r.SVG()), "dr-call-line") {
		t.Error("a call is drawn of which neither the beginning nor the way is known")
	}
	r.Call = &RingCall{Stage: fleet.Float, Starter: 99, Reached: []int{-4, 200}}
	wellFormed(t, string(r.SVG()))
}

// Cards neither touch each other nor leave the picture, and words of cables do not lie on cards.
func TestRingKeepsItsRoom(t *testing.T) {
	for width := 240; width <= 1200; width += 60 {
		for n := range 30 {
			r := ring(width, n, true)
			l := r.layout()
			for i := range l.tall {
				x, y := l.at(l.angles[i], 0)
				b := box{x - l.cardW/2, y - l.tall[i]/2, x + l.cardW/2, y + l.tall[i]/2}
				if b.x0 < 0 || b.x1 > l.w || b.y0 < 0 || b.y1 > l.h {
					t.Fatalf("%d wide, %d controllers: card %d at %v leaves %g by %g", width, n, i, b, l.w, l.h)
				}
				for j := range i {
					ox, oy := l.at(l.angles[j], 0)
					if b.meets(box{ox - l.cardW/2, oy - l.tall[j]/2, ox + l.cardW/2, oy + l.tall[j]/2}) {
						t.Fatalf("%d wide, %d controllers: cards %d and %d meet", width, n, i, j)
					}
				}
			}
		}
	}
}

// texts returns what each text element says.
func texts(t testing.TB, svg string) []string {
	t.Helper()
	var out []string
	for _, piece := range strings.Split(svg, "<text ")[1:] {
		_, rest, _ := strings.Cut(piece, ">")
		body, _, ok := strings.Cut(rest, "</text>")
		if !ok {
			t.Fatalf("text without an end in %.200s", piece)
		}
		out = append(out, body)
	}
	return out
}

// Names that a fleet file may hold are shown as text, nothing more.
func TestHostileNamesStayText(t *testing.T) {
	for _, name := range append(hostile, long(300)) {
		for where, svg := range named(name) {
			text := wellFormed(t, svg)
			for _, bad := range []string{"script", "img", "foreignObject"} {
				if len(elements(t, svg, bad)) > 0 {
					t.Errorf("%s: the name %q became an element %s", where, name, bad)
				}
			}
			if !utf8.ValidString(svg) {
				t.Errorf("%s: the name %q broke the text", where, name)
			}
			if clean := wellFormed(t, "<a>"+string(escape(nil, name))+"</a>"); !strings.Contains(text, strings.TrimSuffix(clean, "\n")) && where != "chart" && where != "columns" {
				t.Errorf("%s: the whole name %q is nowhere", where, name)
			}
		}
	}
}

// named draws one of each picture with a name wherever one may stand.
func named(name string) map[string]string {
	r := ring(366, 3, true)
	for i := range r.Controllers {
		u := &r.Controllers[i]
		u.ID, u.Name, u.Href, u.Number, u.Note = name, name, name, name, name
		r.Links[i].ID, r.Links[i].Href, r.Links[i].Word, r.Links[i].Number = name, name, name, name
	}
	r.ID, r.Title, r.Desc, r.Bank = name, name, name, []string{name, name}
	ch := voltage(366)
	ch.ID, ch.Title, ch.Unit, ch.Lines[0].Name, ch.Lines[0].Unit, ch.Levels[0].Name, ch.Events[0].Word = name, name, name, name, name, name, name
	st := stages(366)
	st.Rows = st.Rows[:2]
	st.ID, st.Rows[0].ID, st.Rows[0].Name, st.Rows[0].Href, st.Rows[0].Note = name, name, name, name, name
	h := heat(366, 3)
	h.Title, h.Unit = name, name
	b := bars(366)
	b.Items[0].Name, b.Items[0].Text = name, name
	co := columns(366)
	co.Names[0], co.Items[0].Label, co.Unit = name, name, name
	return map[string]string{
		"ring": string(r.SVG()), "chart": string(ch.SVG()), "strip": string(st.SVG()), "heat": string(h.SVG()), "bars": string(b.SVG()), "columns": string(co.SVG()),
	}
}

// A link that could run a script, or lead to another place, leads nowhere.
func TestLinksStayHome(t *testing.T) {
	for href, want := range map[string]string{
		"/sites/mill": "/sites/mill", "#top": "#top", "/": "/", "javascript:alert(1)": "#", "//elsewhere": "#", `/\elsewhere`: "#", "https://elsewhere": "#", "": "#",
	} {
		if got := safeHref(href); got != want {
			t.Errorf("safeHref(%q) = %q, want %q", href, got, want)
		}
	}
}
