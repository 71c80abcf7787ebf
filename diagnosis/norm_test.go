package diagnosis

import (
	"math"
	"testing"
)

// counts returns what is counted on a cable, minute by minute.
func counts(bad ...float64) wire {
	w := wire{by: byCounters}
	for _, x := range bad {
		w.batches = append(w.batches, batch{bad: x, good: 60 - x})
	}
	return w
}

func repeated(of []float64, times int) []float64 {
	var all []float64
	for range times {
		all = append(all, of...)
	}
	return all
}

// What is usual must not be learned from the bad cable, even where it is one of two: it would excuse itself.
func TestOneBadCableIsNotUsual(t *testing.T) {
	fine := counts(repeated([]float64{0, 1, 0, 2, 0, 1, 1, 0, 0, 1}, 9)...) // 1 %
	bad := counts(repeated([]float64{20, 24, 18, 22}, 22)...)
	for _, wires := range [][]*wire{{&fine, &bad}, {&fine, &fine, &fine, &bad}} {
		n := &norm{wanders: wandersLeast}
		n.shares(wires, n.wander(wires))
		if n.usual < 0.005 || n.usual > 0.015 {
			t.Errorf("of %d cables, one of which is bad, %.4f is usual, want about 0.01", len(wires), n.usual)
		}
	}
}

// Cables that all wander are taken to wander; those that do not are not, even beside one that fails now and then.
func TestWanderIsLearned(t *testing.T) {
	calm := counts(repeated([]float64{0, 1, 0, 2, 0, 1, 1, 0, 0, 1}, 9)...)
	wild := counts(repeated([]float64{0, 0, 0, 4, 0, 0, 5, 0, 0, 0}, 9)...)
	for _, c := range []struct {
		name  string
		wires []*wire
		least bool
	}{
		{"all calm", []*wire{&calm, &calm, &calm}, true},
		{"one wild", []*wire{&calm, &calm, &wild}, true},
		{"all wild", []*wire{&wild, &wild, &wild}, false},
	} {
		n := &norm{}
		n.wanders = wandersLeast
		n.wander(c.wires)
		if got := n.wanders == wandersLeast; got != c.least {
			t.Errorf("%s: a concentration of %g", c.name, n.wanders)
		}
	}
}

// The correction of probabilities keeps their order, leaves small ones alone and never passes one.
func TestTemperKeepsOrder(t *testing.T) {
	last := -1.0
	for p := 0.0; p <= 1; p += 0.001 {
		got := temper(p)
		if got < last || got > 1 || p < leastSure && got != p || math.IsNaN(got) {
			t.Fatalf("temper(%g) = %g after %g", p, got, last)
		}
		last = got
	}
	if got := temper(1 + 1e-12); got != 1 {
		t.Errorf("temper of a little more than one = %g", got)
	}
}
