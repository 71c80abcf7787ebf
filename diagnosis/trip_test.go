package diagnosis_test

import (
	"strings"
	"testing"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// A unit that follows every call and does not stop at a shared trip is named, though it is no stranger to the ring.
func TestUnitThatStaysOnAtATrip(t *testing.T) {
	b := newBench(t, 6, false)
	b.tripped = make([]bool, 6)
	b.wait(10*time.Minute, false)
	b.tripped[0] = true
	for _, i := range []int{0, 1, 2, 4, 5} {
		b.stage[i] = fleet.Fault
	}
	b.wait(10*time.Minute, false)
	b.tripped[0] = false
	for i := range b.stage {
		b.stage[i] = fleet.Absorption
	}
	b.wait(10*time.Minute, false)
	b.float(0, 1, 2, 3, 4, 5)
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].What != diagnosis.NotTakingPart || d.Suspects[0].Unit != "mill/north/u3" || d.Suspects[0].Probability < 0.7 {
		t.Fatalf("Diagnose = %+v, want unit u3 not taking part", d)
	}
	if said := strings.Join(d.Suspects[0].Evidence, " "); !strings.Contains(said, "Unit 3 did not stop, though others did. Look whether Unit 3 is set to stay on") {
		t.Errorf("the evidence says %q", said)
	}
}
