package store

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// However the samples lie, the period is the median of their distances, as sorting them gives it; whether or not one
// distance outvotes all others.
func TestPeriodIsTheMedianDistance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.Int64Range(1, 4), 1, 40).Draw(t, "steps")
		c := curve{At: []int64{100}}
		for _, d := range steps {
			c.At = append(c.At, c.At[len(c.At)-1]+d)
		}
		sorted := slices.Sorted(slices.Values(steps))
		if got, want := c.period(), sorted[len(sorted)/2]; got != want {
			t.Fatalf("period of distances %v = %d, want %d", steps, got, want)
		}
		step, ok := c.usualStep()
		n := 0
		for _, d := range steps {
			if d == step {
				n++
			}
		}
		if most := 2*n > len(steps); ok != most {
			t.Fatalf("usualStep of distances %v = %d, %v; %d of them are like that", steps, step, ok, n)
		}
	})
}
