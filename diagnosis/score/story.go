package score

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// A Fault is what is wrong in a story.
type Fault uint8

// The faults.
const (
	Healthy   Fault = iota
	Cut             // a cable carries nothing any more
	Noisy           // a cable damages frames
	Bursts          // a cable fails for a while again and again
	Apart           // a unit does not take part in the ring, and hands messages on
	Dead            // a unit neither answers nor sends any more
	TripStops       // a ground-fault trip that a cut cable stops
	TripStays       // a ground-fault trip that one unit does not obey
	TwoCuts         // two cut cables
	CutApart        // a cut cable and a unit that does not take part
	Unloaded        // a turbine that stops at a shared trip although it must stay on
	// The faults of a plant: see [NewPlant].
	LooseLead      // a lead with too much resistance
	MeterOff       // a unit that reads another voltage than there is
	SourceBehind   // an array that gives less than half of what it should
	SettingChanged // a setting that somebody changed
	SameAddress    // two units with one ring address
	HotBank        // a bank that overheats
	Overdrawn      // a bank that loads run flat
	NeverFull      // a bank that loads never let become full
	TimerEndless   // units whose absorption never ends
	TimerNought    // a unit whose absorption ends at once
	// What a swap of two cables tells apart: see [Way].
	JackFails  // a jack at one end of a cable
	CableSwaps // a cable
	TripSlow   // a trip that all obey, some of them slowly: see [Story.Lag]
	faultCount
)

var faultNames = [...]string{
	"healthy", "cut cable", "noisy cable", "cable with bursts", "unit not taking part", "dead unit", "trip stopped by a cut cable",
	"trip not obeyed", "two cut cables", "cut cable and unit not taking part", "turbine unloaded", "loose lead", "voltage reading off",
	"array behind its peers", "setting changed", "two units of one address", "hot bank", "bank run flat", "bank never full",
	"absorption without end", "absorption of a minute", "failing jack and a swap", "failing cable and a swap",
	"trip among slow units",
}

// String returns the words of reports.
func (f Fault) String() string { return faultNames[f] }

// OfPlant reports whether the fault is one of the plant: no cable and no unit of the ring is to blame.
func (f Fault) OfPlant() bool { return f >= LooseLead && f <= TimerNought }

// A Map is what the register map tells about links.
type Map uint8

// The maps.
const (
	Counters16 Map = iota // counters of good and bad frames, 16 bits wide
	Counters32
	Flag    // a sampled flag
	Neither // nothing: only stages and temperatures
	mapCount
)

var mapNames = [...]string{"counters of 16 bits", "counters of 32 bits", "a sampled flag", "neither"}

// String returns the words of reports.
func (m Map) String() string { return mapNames[m] }

// Counts reports whether the map has counters.
func (m Map) Counts() bool { return m == Counters16 || m == Counters32 }

// A Story is one history. All of it follows from Seed and Fault.
type Story struct {
	Seed  uint64
	Fault Fault

	Units  int
	Open   bool // a line: no cable from the last unit to the first
	Map    Map
	Period time.Duration // of polls
	Every  time.Duration // between two frames on a cable
	Hop    time.Duration // of a message over one cable, at most
	Told   bool          // the fleet file gives the hop time

	Base    float64 // share of damaged frames that is usual
	Flurry  bool    // short bursts come on any cable, now and then
	Missing float64 // share of polls that get no answer
	Reboots bool    // units restart now and then
	Long    bool    // and stay away for minutes
	Outages bool    // now and then polls of many are lost together, as when an access point restarts
	Kept    bool    // a call is repeated until the night, so that what was lost comes later
	Default bool    // a unit that hears no temperature falls back to 25 °C; otherwise it keeps the last one
	Roles   bool    // the map tells roles
	Turning int     // one unit in so many has a turbine, which stays on at a trip; 0: none
	Plant   *Plant  // nil: a story of the ring alone, with short days

	Lasts time.Duration
	At    time.Duration // when it breaks
	Day   time.Duration // from one morning to the next: short, so that many calls fit into a story
	Link  int           // the cable into this unit breaks
	Other int           // second cable
	Unit  int           // the unit that does not take part, is dead, has the detector's trip to obey
	Share float64       // of damaged frames on a noisy cable
	Burst time.Duration // mean length of a failure
	Gap   time.Duration // mean time between two
	Way   Way           // in which a cable or jack fails that a swap is about
	Swap  time.Duration // when the cables into Link and Other have changed places; 0: never
	Hands time.Duration // how long they were out for it
	Lag   time.Duration // what the slowest unit takes to show its stage
}

// String returns what a person needs to know of the story.
func (s *Story) String() string {
	shape := "ring"
	if s.Open {
		shape = "line"
	}
	return fmt.Sprintf("seed %d: %s, %s of %d, %s, polled every %s, frames every %s, base %.2g %%", s.Seed, s.Fault, shape, s.Units, s.Map,
		s.Period, s.Every, 100*s.Base)
}

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }

// between returns a value that is spread evenly on a logarithmic scale.
func between(rng *rand.Rand, low, high float64) float64 {
	return low * math.Exp(rng.Float64()*math.Log(high/low))
}

// NewStory makes the story of a seed.
func NewStory(fault Fault, seed uint64) Story {
	rng := rand.New(rand.NewPCG(seed, uint64(fault)))
	s := Story{
		Seed: seed, Fault: fault,
		Units:  int(math.Round(between(rng, 2, 200))),
		Open:   rng.Float64() < 0.15,
		Map:    Map(rng.IntN(int(mapCount))),
		Period: pick[time.Duration](rng, 1, 2, 5, 10, 10, 15, 30, 60) * time.Second,
		Every:  pick[time.Duration](rng, 250, 500, 1000, 1000, 1000, 2000, 5000, 20000) * time.Millisecond,
		Hop:    time.Duration(between(rng, 0.05, 1.5) * float64(time.Second)),
		Told:   rng.IntN(2) == 0, Base: 0.03 * rng.Float64() * rng.Float64(),
		Flurry: rng.IntN(3) == 0, Reboots: rng.IntN(4) == 0, Kept: rng.IntN(2) == 0,
		Default: rng.IntN(2) == 0, Roles: rng.IntN(2) == 0,
	}
	if rng.IntN(2) == 0 {
		s.Missing = 0.02 * rng.Float64()
	}
	s.Long, s.Outages = s.Reboots && rng.IntN(2) == 0, rng.IntN(5) == 0
	if rng.IntN(3) == 0 {
		s.Turning = 2 + rng.IntN(6)
	}
	s.Day = 40*time.Minute + time.Duration(s.Units)*2*s.Hop + 10*s.Period
	s.Share = 0.05 + 0.35*rng.Float64()*rng.Float64()
	if least := 4 * s.Base; s.Share < least {
		s.Share = least + 0.1*rng.Float64()
	}
	s.Burst = time.Duration(between(rng, 4, 60) * float64(time.Second))
	s.Gap = time.Duration(between(rng, 40, 300) * float64(time.Second))
	s.shape(rng)
	s.place(rng)
	return s
}

// mostFrames bounds what one story costs.
const mostFrames = 150_000

// shape sets how long the story lasts, and polls it more slowly where it would cost too much.
func (s *Story) shape(rng *rand.Rand) {
	switch s.Fault {
	case Healthy:
		s.Lasts = 3 * s.Day
	case Noisy:
		s.Every = pick[time.Duration](rng, 250, 500, 1000, 1000) * time.Millisecond
		s.At, s.Lasts = 40*time.Minute, 60*time.Minute
	case Cut, Apart, TwoCuts, CutApart:
		s.At, s.Lasts = s.Day*7/10, 5*s.Day
	case Bursts, Dead:
		s.At, s.Lasts = s.Day*7/10, 3*s.Day
	case TripStops, TripStays, Unloaded:
		s.At, s.Lasts = s.Day*3/10, s.Day*6/10
	case JackFails, CableSwaps:
		s.shapeSwap(rng)
	case TripSlow:
		s.At, s.Lasts = s.Day*3/10, s.Day*6/10
	}
	for _, slower := range []time.Duration{2, 5, 10, 15, 30, 60} {
		if float64(s.Lasts/s.Period)*float64(s.Units) > mostFrames {
			s.Period = max(s.Period, slower*time.Second)
		}
	}
	s.At += time.Duration(rng.Int64N(int64(s.Day / 10)))
	if s.Fault == TripSlow {
		s.Lag, s.Missing, s.Outages = min(s.Period, 5*time.Second), 0, false // a slow answer and then none is as a unit's that does not obey
	}
}

// place sets what breaks. The cable into unit i is cable i; a line has none into its first unit.
func (s *Story) place(rng *rand.Rand) {
	cable := func() int {
		if s.Open {
			return 1 + rng.IntN(s.Units-1)
		}
		return rng.IntN(s.Units)
	}
	s.Link = cable()
	s.Unit = rng.IntN(s.Units)
	switch s.Fault {
	case JackFails, CableSwaps:
		for s.Other = cable(); s.Other == s.Link; {
			s.Other = cable()
		}
	case TwoCuts, CutApart, Apart, Dead:
		s.Units = max(s.Units, 4) // with fewer, two faults look like others
		if s.Fault == TwoCuts {
			for s.Other = cable(); s.Other == s.Link; {
				s.Other = cable()
			}
		}
	case TripStops:
		s.Units = max(s.Units, 3)
	case TripStays:
		s.Turning = 0
		s.Unit = 1 + rng.IntN(s.Units-1)
	case Unloaded:
		s.Turning = min(2+rng.IntN(6), s.Units)
		s.Unit = s.Turning*(1+rng.IntN(s.Units/s.Turning)) - 1
	}
}

// Turns reports whether a unit has a turbine, and is meant to stay on at a trip.
func (s *Story) Turns(unit int) bool {
	if s.Plant != nil {
		return s.Plant.Sources[unit].Kind.Turns()
	}
	return s.Turning > 0 && (unit+1)%s.Turning == 0
}
