package fleet_test

import (
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// What every sentence is made of: nothing that moves a terminal's cursor, and no list too long to read.
func TestWords(t *testing.T) {
	names := strings.Fields("Alder Birch Cedar Dogwood Elm")
	for _, c := range []struct{ got, want string }{
		{fleet.Line("  Alder\x1b[2J\n", "alder"), "Alder[2J"},
		{fleet.Line("\u202e\x07 ", "alder"), "alder"},
		{fleet.Line("Mühle am Bach", "mill"), "Mühle am Bach"},
		{fleet.Line("two\nlines", "x"), "twolines"},
		{fleet.List(nil), "nobody"},
		{fleet.List(names[:1]), "Alder"},
		{fleet.List(names[:2]), "Alder and Birch"},
		{fleet.List(names[:3]), "Alder, Birch and Cedar"},
		{fleet.List(names), "Alder, Birch and 3 more"},
		{fleet.Count(1, "hop"), "1 hop"},
		{fleet.Count(0, "hop"), "0 hops"},
		{fleet.Span(-time.Second), "0 s"},
		{fleet.Span(20 * time.Microsecond), "1 ms"},
		{fleet.Span(1500 * time.Millisecond), "1.5 s"},
		{fleet.Span(390 * time.Second), "6 min 30 s"},
		{fleet.Span(3*time.Hour + 5*time.Minute), "3 h 5 min"},
		{fleet.Span(time.Hour), "1 h"},
		{fleet.Span(3*time.Hour + 5*time.Minute + 7*time.Second), "3 h 5 min"},
		{fleet.Span(24*time.Hour + time.Minute), "1 d"},
		{fleet.Span(52 * time.Hour), "2 d 4 h"},
		{fleet.Ago(400 * time.Millisecond), "just now"},
		{fleet.Ago(time.Minute), "1 min ago"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}
