package diagnosis_test

import (
	"strings"
	"testing"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// Before a swap nobody can tell a cable from the jacks at its ends, and both are named. Trouble that moved along says that it is
// the cable, and trouble that stayed that it is a jack.
func TestSwapTellsCableFromJack(t *testing.T) {
	const here, there = "mill/north/u1>u2", "mill/north/u3>u4" // cables 2 and 4
	for _, c := range []struct {
		name      string
		bad       int // the unit that counts bad frames after the swap
		low, high float64
		says      string
		clause    string
	}{
		{"cable", 4, 0.95, 1, "It moved with the cable", "the swap has told: it moved with the cable"},
		{"jack", 2, 0, 0.05, "It stayed with the jacks", "the swap has told: it stayed with the jacks"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 6, false)
			trouble := func(unit, polls int) {
				for range polls {
					b.bad[unit] += 3
					b.wait(poll, true)
				}
			}
			b.wait(30*time.Minute, true)
			trouble(2, 120)
			d := b.ring.Diagnose()
			if s := d.Suspects[0]; s.Link != here || s.Itself < 0.4 || s.Itself > 0.8 || !strings.Contains(strings.Join(s.Evidence, " "), "in jack of Unit 2") {
				t.Fatalf("before the swap: %+v, want the cable and its jacks named", s)
			}
			note := fleet.Note{At: b.now, Subject: "mill/north", Text: "Swapped cables 2 and 4."}
			for range 2 { // written down twice it is no swap back
				if !b.ring.Note(note) {
					t.Fatal("the note was not read as a swap")
				}
			}
			trouble(c.bad, 30)
			early := b.ring.Diagnose()
			trouble(c.bad, 90)
			d = b.ring.Diagnose()
			s := d.Suspects[0]
			if s.Link != here || s.Probability < 0.9 || s.Itself < c.low || s.Itself > c.high || d.Tested == nil || !strings.Contains(d.Tested.Sentence, c.says) {
				t.Errorf("%+v, %+v, want it the cable itself with %g to %g", d, d.Tested, c.low, c.high)
			}
			if want := fleet.LinkID(there); s.Now != want || early.Suspects[0].Link != here {
				t.Errorf("early %+v, late %+v, want the cable of %s suspected, at %s now", early.Suspects[0], s, here, there)
			}
			if said := strings.Join(s.Evidence, " "); !strings.Contains(said, c.clause) {
				t.Errorf("the evidence is %q, which does not say %q", said, c.clause)
			}
		})
	}
}

// Where nothing is counted, the calls before and after a swap tell a dead cable from a dead jack.
func TestSwapToldByCalls(t *testing.T) {
	const here = "mill/north/u2>u3"
	for _, c := range []struct {
		name    string
		after   [][]int // who followed
		verdict diagnosis.Verdict
	}{
		{"cable", [][]int{{5, 0}, {4, 5, 0}, {1, 2, 3, 4, 5, 0}}, diagnosis.Moved},
		{"jack", [][]int{{5, 0, 1, 2}, {4, 5, 0, 1, 2}, {1, 2}}, diagnosis.Stayed},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, 6, false)
			b.wait(10*time.Minute, false)
			for _, call := range [][]int{{5, 0, 1, 2}, {4, 5, 0, 1, 2}, {1, 2}} {
				b.float(call...)
			}
			if !b.ring.Note(fleet.Note{At: b.now, Subject: "mill/north", Text: "swapped the cables 3 and 1, plugs cleaned"}) {
				t.Fatal("the note was not read as a swap")
			}
			if d := b.ring.Diagnose(); d.Tested == nil || d.Tested.Verdict != diagnosis.NotYet {
				t.Errorf("before any call: %+v", d.Tested)
			}
			for _, call := range c.after {
				b.float(call...)
			}
			d := b.ring.Diagnose()
			if d.Tested.Verdict != c.verdict || len(d.Suspects) == 0 || d.Suspects[0].Link != here {
				t.Errorf("%+v\n%+v, want %s", d, d.Tested, c.verdict)
			}
		})
	}
}

// A flag that is asked every second, while frames come every twenty, shows one bad frame twenty times. That is one bad frame.
func TestFlagAskedTooOften(t *testing.T) {
	b := newBench(t, 5, false)
	ring := diagnosis.New(&b.fleet, fleet.Periods{Fast: time.Second, Normal: time.Second, Slow: time.Second})
	for second := range 900 {
		for i := range b.stage {
			ok := 1.0
			if i == 2 && second/20 == 42 {
				ok = 0
			}
			ring.Put(&fleet.Frame{
				Controller: b.fleet.Controllers[i].ID, Group: fleet.Fast, At: start.Add(time.Duration(second) * time.Second), Outcome: fleet.Answered,
				Layout: flagLayout, Values: []fleet.Value{{Number: 4, Quality: fleet.Good}, {Number: 12, Quality: fleet.Good}, {Number: ok, Quality: fleet.Good}},
			})
		}
	}
	if d := ring.Diagnose(); d.Sound < 0.5 {
		t.Errorf("%+v, want nothing wrong", d)
	}
}

// Where no controller answers it is the site's network or power, and the diagnosis says so.
func TestNobodyAnswers(t *testing.T) {
	b := newBench(t, 4, false)
	b.wait(30*time.Minute, true)
	for i := range b.mute {
		b.mute[i] = true
	}
	b.wait(30*time.Minute, true)
	d := b.ring.Diagnose()
	if d.Enough || !d.Unreached || !strings.Contains(d.Needs, "No controller of this ring answers") {
		t.Errorf("%+v, want nobody blamed", d)
	}
}

// A unit whose registers stand still, its uptime with them, counts no frames: that is no cable.
func TestFrozenUnitBlamesNoCable(t *testing.T) {
	b := newBench(t, 4, false)
	up := layoutOf(fleet.QuantityStage, fleet.BatteryTemperature, fleet.LinkGood, fleet.Uptime)
	for k := range 180 {
		for i := range b.stage {
			n := uint64(k)
			if i == 2 {
				n = min(n, 90)
			}
			f := fleet.Frame{
				Controller: b.fleet.Controllers[i].ID, Group: fleet.Fast, At: start.Add(time.Duration(k) * poll), Outcome: fleet.Answered, Layout: up,
			}
			for _, v := range []uint64{4, 12, 10 * n, 100 + 10*n} {
				f.Values = append(f.Values, fleet.Value{Number: float64(v), Raw: v, Quality: fleet.Good})
			}
			b.ring.Put(&f)
		}
	}
	if d := b.ring.Diagnose(); d.Sound < 0.5 {
		t.Errorf("%+v, want no cable blamed", d)
	}
}

// The bad cable that moved is one fault: the good one that came into its place is not accused beside it.
func TestOneCableIsOneFault(t *testing.T) {
	b := newBench(t, 6, false)
	place := 2
	counted := func(polls int, spoilt uint64) {
		for range polls {
			for i := range b.bad {
				if (int(b.now.Unix())/10+5*i)%(12+i) == 0 {
					b.bad[i]++
				}
			}
			b.bad[place] += spoilt
			b.wait(poll, true)
		}
	}
	counted(240, 0)
	counted(150, 1)
	b.now = b.now.Add(poll)
	place = 4
	b.ring.Swapped("mill/north/u1>u2", "mill/north/u3>u4", b.now)
	counted(150, 1)
	d := b.ring.Diagnose()
	for i, s := range d.Suspects {
		if first := s.Link == "mill/north/u1>u2"; first != (i == 0) || !first && s.Probability > 0.3 {
			t.Errorf("suspect %d is %s with %.3f, want the cable u1>u2 first and no other", i+1, s.Name, s.Probability)
		}
	}
	if len(d.Suspects) == 0 {
		t.Error("nobody is suspected")
	}
}
