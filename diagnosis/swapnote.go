package diagnosis

import (
	"regexp"
	"strconv"

	"ringwarden/fleet"
)

// swapWords is how a note says that two cables were swapped, wherever in its text. The ids are those of the places that
// the cables join.
var swapWords = regexp.MustCompile(`\bswapped the cables (\S+>\S+) and (\S+>[^\s.,;]+)`)

// swapNumbers is the same with the cables' numbers, as people write it.
var swapNumbers = regexp.MustCompile(`(?i)\bswapped (?:the )?cables? (\d{1,3}) (?:and|with) (?:cable )?(\d{1,3})\b`)

// SwapNote returns the words by which a note says that the cables of two places were swapped, the suspected place first.
// [ReadSwapNote] reads them.
func SwapNote(here, there fleet.LinkID) string {
	return "swapped the cables " + string(here) + " and " + string(there)
}

// ReadSwapNote returns the places whose cables a note says were swapped, and false if it says nothing like that. Further
// words may stand around: "swapped the cables mill/north/alder>birch and mill/north/cedar>elm, both plugs cleaned".
func ReadSwapNote(text string) (here, there fleet.LinkID, ok bool) {
	m := swapWords.FindStringSubmatch(text)
	if m == nil {
		return "", "", false
	}
	here, there = fleet.LinkID(m[1]), fleet.LinkID(m[2])
	return here, there, here != there && here.Ring() == there.Ring()
}

// SwapIn returns the places of a ring's cables that a note says were swapped, and false if it says nothing like that of this
// ring. A note about the ring, or about a part of it, may name cables by their numbers: "swapped cables 2 and 5". They count
// in the order of the ring; cable 1 leaves the first controller.
func SwapIn(n fleet.Note, f *fleet.Ring) (here, there fleet.LinkID, ok bool) {
	links := f.Links()
	if here, there, ok = ReadSwapNote(n.Text); ok {
		known := 0
		for _, l := range links {
			if l.ID == here || l.ID == there {
				known++
			}
		}
		return here, there, known == 2
	}
	m := swapNumbers.FindStringSubmatch(n.Text)
	if m == nil || !n.Subject.Inside(fleet.Subject(f.ID)) {
		return "", "", false
	}
	a, _ := strconv.Atoi(m[1]) // at most three digits
	b, _ := strconv.Atoi(m[2])
	if a < 1 || b < 1 || a > len(links) || b > len(links) || a == b {
		return "", "", false
	}
	return links[a-1].ID, links[b-1].ID, true
}

// Note files what a person wrote down, as far as it says that cables of this ring were swapped: see [Ring.Swapped]. It returns
// whether it does.
func (r *Ring) Note(n fleet.Note) bool {
	here, there, ok := SwapIn(n, r.f)
	return ok && r.Swapped(here, there, n.At)
}
