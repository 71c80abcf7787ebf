package diagnosis_test

import (
	"testing"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// What is written down as a swap is read as one, whatever a person adds; other notes are none.
func TestSwapNote(t *testing.T) {
	const here, there fleet.LinkID = "mill/north/alder>birch", "mill/north/cedar>elm"
	for _, text := range []string{
		diagnosis.SwapNote(here, there), "Today " + diagnosis.SwapNote(here, there) + ", both plugs cleaned", diagnosis.SwapNote(here, there) + ".",
	} {
		if a, b, ok := diagnosis.ReadSwapNote(text); !ok || a != here || b != there {
			t.Errorf("ReadSwapNote(%q) = %s, %s, %t", text, a, b, ok)
		}
	}
	for _, text := range []string{
		"", "swapped cables 2 and 5", "swapped the cables mill/north/alder>birch", diagnosis.SwapNote(here, here), diagnosis.SwapNote(here, "mill/south/a>b"),
		"swapped the cables a and b",
	} {
		if a, b, ok := diagnosis.ReadSwapNote(text); ok {
			t.Errorf("ReadSwapNote(%q) = %s, %s; it names no two cables of one ring", text, a, b)
		}
	}
}
