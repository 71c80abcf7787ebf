package score

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// A Plan says how many stories are played of each fault, and how many healthy months.
type Plan struct {
	Of     [faultCount]int
	Months int
	Seed   uint64 // of the first story of each fault; the others follow
	Alarms bool   // play to the alarm engine alone: the bars of the diagnosis stay empty
}

// Full returns the plan of the whole bench, and Tenth that of a tenth of it, with other seeds.
func Full() Plan {
	return Plan{Seed: 10_000, Months: 400, Of: [faultCount]int{
		Healthy: 800, Cut: 800, Noisy: 400, Bursts: 250, Apart: 300, Dead: 150, TripStops: 150, TripStays: 150, TwoCuts: 120, CutApart: 120,
		Unloaded: 100, LooseLead: 50, MeterOff: 50, SourceBehind: 50, SettingChanged: 50, SameAddress: 30, HotBank: 40, Overdrawn: 40,
		NeverFull: 30, TimerEndless: 30, TimerNought: 40, JackFails: 150, CableSwaps: 150, TripSlow: 300,
	}}
}

// Tenth returns the plan of a tenth of the bench. Its seeds are others than those of the whole.
func Tenth() Plan {
	p := Full()
	p.Seed = 1
	p.Months /= 10
	for f := range p.Of {
		p.Of[f] /= 10
	}
	return p
}

// Part returns the plan with so many times fewer stories, but at least one of each fault.
func (p Plan) Part(times int) Plan {
	p.Months = max(1, p.Months/times)
	for f := range p.Of {
		p.Of[f] = max(1, p.Of[f]/times)
	}
	return p
}

// Times returns the plan with so many times as many stories.
func (p Plan) Times(n int) Plan {
	p.Months *= n
	for f := range p.Of {
		p.Of[f] *= n
	}
	return p
}

// Only returns the plan with the stories alone whose fault has one of the names, as [Fault.String] gives them. Healthy
// months are called month.
func (p Plan) Only(names ...string) Plan {
	if !slices.Contains(names, "month") {
		p.Months = 0
	}
	for f := range p.Of {
		if !slices.Contains(names, Fault(f).String()) {
			p.Of[f] = 0
		}
	}
	return p
}

// stories lists the stories of the plan.
func (p *Plan) stories() []Story {
	var all []Story
	for f, n := range p.Of {
		for i := range n {
			make := NewStory
			if Fault(f).OfPlant() {
				make = NewPlant
			}
			all = append(all, make(Fault(f), p.Seed+uint64(i)))
		}
	}
	for i := range p.Months {
		all = append(all, NewMonth(p.Seed+uint64(i)))
	}
	return all
}

// Run plays the stories of a plan, some at once, and returns what came of them. It ends early, with an error, when ctx is
// done. However many workers there are, the card is the same.
func Run(ctx context.Context, p Plan, workers int) (*Card, error) {
	stories := p.stories()
	played := make([]*watched, len(stories))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(workers)
	for i := range stories {
		g.Go(func() error {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			played[i] = watch(&stories[i], p.Alarms)
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, fmt.Errorf("playing the histories: %w", err)
	}
	c := newCard(&p)
	for _, w := range played {
		c.judge(w)
	}
	return c.Card, nil
}

// A scorer fills a card.
type scorer struct {
	*Card
	silly                                                      map[fleet.Kind]*Bar
	cutFound, cutSure, cutFlagged, cutNamed, noisyFound        *Bar
	tripTold                                                   *Bar
	tripQuiet                                                  *Bar
	jackSaid, jackTold, jackCalled, swapWaited, swapRight      *Bar
	cableCounted, cableCalled, unitTold, cableTold, calibrated *Bar
}

func newCard(p *Plan) *scorer {
	c := &scorer{Card: &Card{Seeds: fmt.Sprintf("%d and up, for each fault", p.Seed)}, silly: map[fleet.Kind]*Bar{}}
	bar := func(name string, want float64) *Bar {
		b := &Bar{Name: name, Unit: "%", Want: want}
		c.Bars = append(c.Bars, b)
		return b
	}
	for _, k := range alerts.Kinds() {
		if slices.Contains(unmodelled, k.Kind) {
			continue
		}
		b := &Bar{Name: "false-alarms/" + string(k.Kind), Unit: "per ring-year", Want: 0.1}
		c.silly[k.Kind] = b
		c.Bars = append(c.Bars, b)
	}
	c.cutFound = bar("cut-link-found-in-three-polls", 99)
	c.cutSure = bar("cut-link-found-where-three-polls-can-tell", 99)
	c.cutFlagged = bar("cut-link-found-by-flag-as-soon-as-any-test-could", 99)
	c.cutNamed = bar("cut-link-named", 99)
	c.noisyFound = bar("noisy-link-found-in-15-min", 95)
	c.tripTold = bar("trip-not-shared-told-in-time", 100)
	c.tripQuiet = bar("slow-units-raise-no-trip-not-shared", 100)
	c.cableCounted = bar("right-cable-first-with-counters", 98)
	c.cableCalled = bar("right-cable-among-two-after-three-calls", 90)
	c.unitTold = bar("unit-not-taking-part-told-from-cable", 95)
	c.cableTold = bar("dead-cable-told-from-unit", 95)
	c.jackSaid = bar("cable-and-jacks-said-together-before-swap", 95)
	c.jackTold = bar("jack-told-from-cable-after-swap", 95)
	c.jackCalled = bar("jack-told-from-cable-by-calls-after-swap", 90)
	c.swapWaited = bar("swap-told-when-it-said", 80)
	c.swapRight = bar("swap-never-told-wrongly", 95)
	c.calibrated = bar("suspects-given-about-80-percent-right", 70)
	c.calibrated.Most = 90
	return c
}

func (c *scorer) judge(w *watched) {
	s := w.story
	c.Stories++
	c.Frames += w.frames
	c.Looks += w.looks
	c.opinions(w)
	c.hunt(w)
	cable := fleet.Subject(s.Cable(s.Link))
	switch {
	case s.Fault == Healthy:
		c.healthy(w)
	case s.Fault == Cut && s.Map != Neither:
		after, found := w.first("link-down", cable)
		c.cut(w, found, after)
		c.cutNamed.Count(found && !w.misnamed(s.Cable(s.Link)), s)
	case s.Fault == Noisy && s.Map.Counts():
		after, found := w.first("link-noisy", cable)
		down, lost := w.first("link-down", cable)
		c.noisyFound.Count(found && after <= fifteen || lost && down <= fifteen, s)
	case s.Fault == TripSlow:
		c.tripQuiet.Count(!w.raises("trip-not-shared"), s)
	case s.Swap > 0:
		c.swapped(w)
	case s.Fault == TripStops || s.Fault == TripStays:
		for _, u := range w.disobey {
			after, found := w.first("trip-not-shared", fleet.Subject(s.Controller(u)))
			c.tripTold.Count(found && after+s.At <= w.deadline, s)
		}
	}
}

// cut counts how soon a cut cable was found: all of them against three polls, or three expected frames, and once more apart
// by whether any test could have told it from chance by then. Polls that could not reach an end of the cable, or found
// it restarting, are no polls of it there.
func (c *scorer) cut(w *watched, found bool, after time.Duration) {
	s := w.story
	pace := max(s.Period, s.Every)
	c.cutFound.Count(found && after <= 3*pace, s)
	heard := after - w.deaf(after)
	if least := s.leastSamples(); least > s.samplesInTime() {
		c.cutFlagged.Count(found && heard <= time.Duration(least+1)*pace, s)
		return
	}
	c.cutSure.Count(found && heard <= 3*pace, s)
}

// samplesInTime returns how many frames after a cut a flag surely shows within three polls, or three frames where these are
// rarer. The first frame is due a whole interval after the cut at the latest, and the poll that reads it a period after that;
// from then on the flag can be read at each frame, but no more often than each second. Where frames and polls are a second
// apart these are two: a cut just after both have come is read after two seconds, and after three.
func (s *Story) samplesInTime() int {
	left := 3*max(s.Period, s.Every) - s.Every - s.Period
	return 1 + int(left/max(s.Every, time.Second))
}

// leastSamples returns how many bad samples of a flag in a row any test needs that raises at most one false alarm in ten
// years of the ring, even if it knows the base rate: the smallest k with base^k x polls in a year x cables <= 0.1; samples
// between the polls follow a bad one. The first of them may be due a whole frame after the cut. Counters need none: they
// count what comes, damaged or not.
func (s *Story) leastSamples() int {
	if s.Map != Flag || s.Base <= 0 {
		return 0
	}
	samples := float64(365.25*24*time.Hour) / float64(max(s.Period, s.Every)) * float64(s.Units)
	return int(math.Ceil(math.Log(samples/0.1) / -math.Log(s.Base)))
}

// healthy counts false alarms. An alarm that comes back on the same subject within the story is one.
func (c *scorer) healthy(w *watched) {
	years := w.lasted.Hours() / (24 * 365.25)
	c.Years += years
	type alarm struct {
		kind    fleet.Kind
		subject fleet.Subject
	}
	seen := map[alarm]bool{}
	for kind, b := range c.silly {
		b.Of += years
		for _, r := range w.raised {
			if r.kind != kind || seen[alarm{r.kind, r.subject}] || w.rightly(&r) {
				continue
			}
			seen[alarm{r.kind, r.subject}] = true
			b.Hits++
			if len(b.Misses) < keptMisses {
				b.Misses = append(b.Misses, fmt.Sprintf("%s: %s after %s", w.story, r.subject, r.after))
			}
		}
	}
}

// fifteen is by when a noisy cable must be found.
const fifteen = 15 * time.Minute
