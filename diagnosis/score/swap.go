package score

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// A Way is how a cable or a jack fails that a swap is to tell apart.
type Way uint8

// The ways.
const (
	Damages Way = iota // it damages frames
	Comes              // it comes and goes
	Dies               // nothing comes through
)

// shapeSwap sets how a cable or jack fails, and when somebody swaps cables.
func (s *Story) shapeSwap(rng *rand.Rand) {
	s.Units = max(3, int(math.Round(between(rng, 3, 60))))
	s.Way = pick(rng, Damages, Damages, Comes, Dies)
	s.Hands = time.Duration(between(rng, 20, 240) * float64(time.Second))
	s.Every = pick[time.Duration](rng, 250, 500, 1000, 1000, 2000) * time.Millisecond
	if s.Map == Neither {
		s.Way = Dies // nothing else shows
		s.At = s.Day * 7 / 10
		s.Swap = s.At + 3*s.Day + time.Duration(rng.Int64N(int64(s.Day)))
		s.Lasts = s.Swap + 4*s.Day
		return
	}
	s.At = 40 * time.Minute
	before, after := time.Hour, 40*time.Minute
	switch s.Way {
	case Damages:
		after = min(6*time.Hour, max(after, time.Duration(1.5*s.framesToTell())*s.sample()))
	case Comes:
		s.Units = min(s.Units, 12)
		many := min(14*time.Hour, burstsToTell*5/4*(s.Burst+s.Gap))
		before, after = many, many
	}
	s.Swap = s.At + before + time.Duration(rng.Int64N(int64(30*time.Minute)))
	s.Lasts = s.Swap + after
}

// sample is the time between two frames, or two samples of a flag.
func (s *Story) sample() time.Duration {
	if s.Map == Flag {
		return max(s.Every, s.Period)
	}
	return s.Every
}

// framesToTell is how many frames tell the share of damaged frames from half of it, with 5 % of error either way, by the usual formula
// for two proportions.
func (s *Story) framesToTell() float64 {
	p, q := s.Share, s.Share/2
	return 3.605 * 3.605 * (p*(1-p) + q*(1-q)) / ((p - q) * (p - q))
}

// burstsToTell is how many bursts tell how much is lost from half of it in the same way: their lengths are exponential, so
// the sum over so many scatters by sqrt(2 / so many) of itself, before and after: 4 / so many = (0.5 / 3.605)^2.
const burstsToTell = 210

// tellable reports whether enough came after the swap, and before it, to tell a cable from a jack.
func (s *Story) tellable() bool {
	before, after := s.Swap-s.Hands-s.At, s.Lasts-s.Swap
	switch {
	case s.Map == Neither:
		return after >= 3*s.Day
	case s.Way == Damages:
		return float64(min(before, after)/s.sample()) >= 1.25*s.framesToTell()
	case s.Way == Comes:
		return min(before, after) >= burstsToTell*(s.Burst+s.Gap)
	}
	return true
}

// note is what somebody writes down of the swap.
func (s *Story) note() fleet.Note {
	number := func(into int) int { return (into+s.Units-1)%s.Units + 1 } // cable 1 leaves unit 0
	a, b := number(s.Link), number(s.Other)
	if s.Seed%2 == 0 {
		a, b = b, a // whoever writes may name either first
	}
	return fleet.Note{At: beginning.Add(s.Swap), Subject: "mill/north", Text: fmt.Sprintf("Swapped cables %d and %d.", a, b)}
}

// fail lets a cable or a jack fail in the story's way.
func (w *world) fail(h *health) {
	switch w.s.Way {
	case Damages:
		h.share = w.s.Share
	case Comes:
		h.begin(w)
	case Dies:
		h.cut = true
	}
}

func (w *world) unplug() { w.links[w.s.Link].out, w.links[w.s.Other].out = true, true }

func (w *world) swap() {
	a, b := &w.links[w.s.Link], &w.links[w.s.Other]
	a.cable, b.cable = b.cable, a.cable
	a.out, b.out = false, false
}

// verdict is what the swap has to show.
func (s *Story) verdict() diagnosis.Verdict {
	if s.Fault == JackFails {
		return diagnosis.Stayed
	}
	return diagnosis.Moved
}

// Times of the questions about a swap, besides the end.
const (
	beforeSwap = "before the swap"
	soonAfter  = "five minutes after the swap"
	whenSaid   = "when it said that it would know"
)

// swapped counts what was said of a swap, before and after.
func (c *scorer) swapped(w *watched) {
	s := w.story
	wrong, asked := false, false
	for i := range w.opinions {
		o := &w.opinions[i]
		switch t := o.diagnosis.Tested; {
		case o.when == beforeSwap:
			if s.Map != Flag || s.Way == Dies || s.tellable() {
				c.jackSaid.Count(s.saysBoth(&o.diagnosis), s)
			}
			continue
		case t == nil:
			continue
		default:
			asked = true
			wrong = wrong || t.Verdict != diagnosis.NotYet && t.Verdict != s.verdict()
			if o.when == whenSaid {
				c.swapWaited.Count(t.Verdict == s.verdict(), s)
			}
			switch {
			case o.when != "end" || !s.tellable():
			case s.Map == Neither:
				c.jackCalled.Count(t.Verdict == s.verdict(), s)
			default:
				c.jackTold.Count(t.Verdict == s.verdict() && len(o.diagnosis.Suspects) > 0 && s.right(&o.diagnosis.Suspects[0]), s)
			}
		}
	}
	if asked {
		c.swapRight.Count(!wrong, s)
	}
}

// saysBoth reports whether a diagnosis names the place as cable or jack, and a swap that would tell.
func (s *Story) saysBoth(d *diagnosis.Diagnosis) bool {
	if len(d.Suspects) == 0 || !s.right(&d.Suspects[0]) {
		return false
	}
	x := &d.Suspects[0]
	receiver := fmt.Sprintf("Unit %d", s.Link)
	return x.Itself > 0.3 && x.Itself < 0.8 && strings.Contains(d.Swap, receiver) &&
		slices.ContainsFunc(x.Evidence, func(e string) bool { return strings.Contains(e, "in jack of "+receiver) })
}
