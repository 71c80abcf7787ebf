package diagnosis_test

import (
	"testing"
)

// A cable that fails for a few seconds every eight minutes spoils hardly more than good cables do in all, and yet is named:
// what it spoils comes in bunches.
func TestSeldomBurstsNameTheCable(t *testing.T) {
	b := newBench(t, 8, false)
	b.each = 20
	for k := range 600 { // polls
		for i := range b.bad {
			if (k+3*i)%11 == 0 {
				b.bad[i]++ // 0.45 % on every cable
			}
		}
		if k > 200 && k%48 == 0 {
			b.bad[5] += 14
		}
		b.wait(poll, true)
	}
	d := b.ring.Diagnose()
	if len(d.Suspects) == 0 || d.Suspects[0].Link != "mill/north/u4>u5" || d.Suspects[0].Probability < 0.9 || d.Suspects[0].How != "failing now and then" {
		t.Errorf("Diagnose = %+v, want the cable u4>u5 failing now and then", d)
	}
}

// One flurry on a good cable is no trend.
func TestOneFlurryIsNoTrend(t *testing.T) {
	b := newBench(t, 8, false)
	b.each = 20
	for k := range 600 {
		if k == 400 {
			b.bad[5] += 7
		}
		b.wait(poll, true)
	}
	if d := b.ring.Diagnose(); d.Sound < 0.5 {
		t.Errorf("Diagnose = %+v, want it to hold the ring for sound", d)
	}
}
