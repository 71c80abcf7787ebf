package storetest

import (
	"fmt"
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
)

// DayPoints is how many points each controller of a [Fleet] has.
const DayPoints = 20

// A Fleet makes readings that move as real ones do, the same in every run. Of each controller's twenty points six walk
// slowly (voltages, currents, temperatures, in tenths), four fast (powers), four count energy (in tenths), two are
// codes that change a few times an hour at most, two are flag words that hardly ever change, and two are extremes of
// the day (in tenths).
type Fleet struct {
	Layout *fleet.Layout
	ids    []fleet.ControllerID
	r      *rand.Rand
	v      []uint64
	energy []uint64 // what a counter holds back of its next step, in 3600ths
	tick   int
	start  time.Time
	frames []fleet.Frame
}

// DayTicks is how many ticks of ten seconds a day has.
const DayTicks = 8640

// NewFleet returns a fleet whose first tick is at start.
func NewFleet(controllers int, start time.Time) *Fleet {
	points := make([]fleet.Point, DayPoints)
	for k := range points {
		points[k] = fleet.Point{Name: fmt.Sprintf("point_%02d", k), Mul: 1, Div: 1, Bits: 32}
		switch {
		case k < 6 || k >= 18:
			points[k].Div = 10
		case k < 10:
			points[k].Unit = fleet.Watt
		case k < 14:
			points[k].Div, points[k].Counter = 10, true
		}
	}
	f := &Fleet{
		Layout: fleet.NewLayout(points), r: rand.New(rand.NewPCG(11, 13)), start: start,
		v: make([]uint64, controllers*DayPoints), energy: make([]uint64, controllers*DayPoints),
	}
	bounds := [DayPoints]uint64{100, 100, 100, 100, 100, 100, 2000, 2000, 2000, 2000, 1e6, 1e6, 1e6, 1e6, 7, 7, 200, 200, 200, 200}
	for i := range f.v {
		f.v[i] = f.r.Uint64N(bounds[i%DayPoints])
		if i%DayPoints < 6 {
			f.v[i] += 480
		}
	}
	for i := range controllers {
		f.ids = append(f.ids, fleet.ControllerID(fmt.Sprintf("site-%02d/ring/unit-%d", i/5, i%5)))
	}
	f.frames = make([]fleet.Frame, controllers)
	for i := range f.frames {
		f.frames[i] = fleet.Frame{
			Controller: f.ids[i], Outcome: fleet.Answered, Layout: f.Layout, Values: make([]fleet.Value, DayPoints),
		}
	}
	return f
}

// Controllers returns the ids.
func (f *Fleet) Controllers() []fleet.ControllerID { return f.ids }

// Tick returns the frames of the next ten seconds, in memory that the next tick uses again.
func (f *Fleet) Tick() []fleet.Frame {
	at := f.start.Add(time.Duration(f.tick) * 10 * time.Second)
	for c := range f.frames {
		f.move(c * DayPoints)
		frame := &f.frames[c]
		frame.At = at
		for k := range frame.Values {
			raw := f.v[c*DayPoints+k]
			frame.Values[k] = fleet.Value{Raw: raw, Number: f.Layout.Points[k].Number(raw), Quality: fleet.Good}
		}
	}
	f.tick++
	return f.frames
}

// move moves the points of one controller on, whose first one is at base.
func (f *Fleet) move(base int) {
	v := f.v[base : base+DayPoints]
	for k := range v {
		switch {
		case k < 6:
			if f.r.IntN(4) == 0 {
				v[k] += f.r.Uint64N(5) - 2
			}
		case k < 10:
			v[k] = uint64(max(0, int64(v[k])+f.r.Int64N(41)-20))
		case k < 14:
			held := &f.energy[base+k]
			*held += v[k-4]
			v[k] += *held / 3600
			*held %= 3600
		case k < 16:
			if f.r.IntN(2000) == 0 {
				v[k] = f.r.Uint64N(7)
			}
		case k < 18:
			if f.r.IntN(8000) == 0 {
				v[k] ^= 1 << f.r.IntN(16)
			}
		default:
			if f.tick%DayTicks == 0 {
				v[k] = v[0]
			}
			v[k] = max(v[k], v[0])
		}
	}
}
