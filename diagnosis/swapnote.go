package diagnosis

import (
	"regexp"

	"ringwarden/fleet"
)

// swapWords is how a note says that two cables were swapped, wherever in its text. The ids are those of the places that
// the cables join.
var swapWords = regexp.MustCompile(`\bswapped the cables (\S+>\S+) and (\S+>[^\s.,;]+)`)

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
