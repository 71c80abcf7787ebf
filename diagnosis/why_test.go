package diagnosis_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"ringwarden/diagnosis"
)

// The four outcomes of a swap, and the wait where nothing is known yet.
func TestSwap(t *testing.T) {
	tally := func(bad, frames float64) diagnosis.Tally {
		return diagnosis.Tally{Bad: bad, Frames: frames, For: time.Duration(frames) * time.Second}
	}
	trouble, calm := tally(240, 3000), tally(15, 3000) // 8 % and 0.5 %
	for _, c := range []struct {
		name        string
		here, there diagnosis.Tally
		want        diagnosis.Verdict
	}{
		{"cable", tally(14, 3000), tally(235, 3000), diagnosis.Moved},
		{"jack", tally(238, 3000), tally(16, 3000), diagnosis.Stayed},
		{"gone", tally(12, 3000), tally(16, 3000), diagnosis.Gone},
		{"both", tally(238, 3000), tally(236, 3000), diagnosis.Both},
		{"too early", tally(1, 20), tally(1, 20), diagnosis.NotYet},
	} {
		r := diagnosis.Swap(trouble, c.here, calm, c.there)
		if r.Verdict != c.want || r.Sentence == "" {
			t.Errorf("%s: %+v, want %s", c.name, r, c.want)
		}
		if wait := r.Wait > 5*time.Minute && r.Wait < time.Hour; wait != (c.want == diagnosis.NotYet) {
			t.Errorf("%s: wait %s", c.name, r.Wait)
		}
	}
	if r := diagnosis.Swap(trouble, diagnosis.Tally{}, calm, calm); r.Verdict != diagnosis.NotYet {
		t.Errorf("nothing counted: %+v", r)
	}
}

// After the wait that is named, the verdict is there, and in 95 of 100 cases it is right.
func TestSwapWaitIsEnough(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	draw := func(share float64, n int) diagnosis.Tally {
		t := diagnosis.Tally{Frames: float64(n), For: time.Duration(n) * time.Second}
		for range n {
			if rng.Float64() < share {
				t.Bad++
			}
		}
		return t
	}
	right := 0
	const runs = 300
	for range runs {
		before, calm := draw(0.08, 3000), draw(0.005, 3000)
		early := diagnosis.Swap(before, draw(0.005, 20), calm, draw(0.08, 20))
		n := 20 + int(early.Wait/time.Second)
		if r := diagnosis.Swap(before, draw(0.005, n), calm, draw(0.08, n)); r.Verdict == diagnosis.Moved {
			right++
		}
	}
	if right < runs*93/100 {
		t.Errorf("right in %d of %d", right, runs)
	}
}

// One of ten series goes along, and it alone is told; of series that have nothing to do with it, none is told more than
// one time in twenty (Holm 1979).
func TestAssociate(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	names := []string{"hour", "temperature", "current", "wind power", "hydro power"}
	wrong, missed := 0, 0
	const runs = 60
	for range runs {
		series, others := make([]float64, 40), map[string][]float64{}
		for i := range series {
			series[i] = rng.NormFloat64()
		}
		for _, n := range names {
			for i := range series {
				v := rng.NormFloat64()
				if n == "current" {
					v += 2 * series[i]
				}
				others[n] = append(others[n], v)
			}
		}
		told := map[string]bool{}
		for _, a := range diagnosis.Associate("share of bad frames", series, others, names) {
			told[a.With] = true
		}
		if !told["current"] {
			missed++
		}
		delete(told, "current")
		if len(told) > 0 {
			wrong++
		}
	}
	if missed > 1 || wrong > 8 {
		t.Errorf("missed %d and told wrongly %d of %d", missed, wrong, runs)
	}
}
