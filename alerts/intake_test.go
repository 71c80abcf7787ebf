package alerts

import (
	"math"
	"testing"
	"time"

	"ringwarden/fleet"
)

const alder = fleet.ControllerID("mill/north/alder")

var stages = fleet.NewLayout([]fleet.Point{{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1}})

func stageFrame(at time.Time, v fleet.Value) *fleet.Frame {
	return &fleet.Frame{Controller: alder, Group: fleet.Fast, At: at, Outcome: fleet.Answered, Layout: stages, Values: []fleet.Value{v}}
}

func good(v float64) fleet.Value { return fleet.Value{Number: v, Raw: uint64(v), Quality: fleet.Good} }

// What is odd in a frame is counted and changes nothing: a person must not be sent out for a clock or a wire error.
func TestPutRefusesAndCounts(t *testing.T) {
	bulk := good(float64(fleet.Bulk))
	float := good(float64(fleet.Float))
	tests := []struct {
		name string
		f    *fleet.Frame
		want Counts
	}{
		{"unknown controller", &fleet.Frame{Controller: "mill/north/oak", At: noon.Add(time.Second)}, Counts{UnknownController: 1}},
		{"unknown poll group", &fleet.Frame{Controller: alder, Group: 9, At: noon.Add(time.Second)}, Counts{UnknownController: 1}},
		{"doubled", stageFrame(noon, float), Counts{Doubled: 1}},
		{"late", stageFrame(noon.Add(-time.Second), float), Counts{Late: 1}},
		{"from the future", stageFrame(noon.Add(farFuture+time.Second), float), Counts{Future: 1}},
		{"no layout", &fleet.Frame{Controller: alder, Group: fleet.Fast, At: noon.Add(time.Second), Outcome: fleet.Answered}, Counts{Malformed: 1}},
		{"too few values", &fleet.Frame{Controller: alder, Group: fleet.Fast, At: noon.Add(time.Second), Outcome: fleet.Answered, Layout: stages}, Counts{Malformed: 1}},
		{"not a number", stageFrame(noon.Add(time.Second), good(math.NaN())), Counts{NotFinite: 1}},
		{"infinite", stageFrame(noon.Add(time.Second), good(math.Inf(-1))), Counts{NotFinite: 1}},
		{"a stage that is none", stageFrame(noon.Add(time.Second), good(200)), Counts{Undefined: 1}},
		{"half a stage", stageFrame(noon.Add(time.Second), good(4.5)), Counts{Undefined: 1}},
		{"a code that the map cannot name", stageFrame(noon.Add(time.Second), fleet.Value{Quality: fleet.Undefined}), Counts{Undefined: 1}},
		{"implausible", stageFrame(noon.Add(time.Second), fleet.Value{Number: float64(fleet.Float), Quality: fleet.Implausible}), Counts{Implausible: 1}},
		{"missing", stageFrame(noon.Add(time.Second), fleet.Value{}), Counts{}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			e := New(pair())
			e.Advance(noon)
			e.Put(stageFrame(noon, bulk))
			e.Put(test.f)
			if got := e.Counts(); got != test.want {
				t.Errorf("counts %+v, want %+v", got, test.want)
			}
			if s := e.units[alder].stage.is; s != fleet.Bulk {
				t.Errorf("stage is %s now, want bulk as before", s)
			}
		})
	}
}

// A frame that took long is still the newest word of its controller.
func TestSlowFrameInOrderCounts(t *testing.T) {
	e := New(pair())
	e.Put(stageFrame(noon, good(float64(fleet.Bulk))))
	e.Advance(noon.Add(8 * time.Second))
	f := stageFrame(noon.Add(time.Second), good(float64(fleet.Float)))
	f.Late, f.Took = 2*time.Second, 4*time.Second
	e.Put(f)
	if s := e.units[alder].stage.is; s != fleet.Float {
		t.Errorf("stage is %s, want float", s)
	}
}

// A machine whose clock was wrong at the start must not be deaf until that time comes.
func TestFutureFrameBeforeFirstAdvanceIsForgotten(t *testing.T) {
	e := New(pair())
	e.Put(stageFrame(noon.Add(24*time.Hour), good(float64(fleet.Float))))
	e.Advance(noon)
	e.Put(stageFrame(noon.Add(time.Second), good(float64(fleet.Bulk))))
	if s, c := e.units[alder].stage.is, e.Counts(); s != fleet.Bulk || c.Late != 0 || c.Future != 1 {
		t.Errorf("stage %s, counts %+v; want bulk and one frame from the future", s, c)
	}
}

// Time that runs backwards judges nothing.
func TestAdvanceBackwards(t *testing.T) {
	e := New(pair())
	e.Advance(noon)
	if c := e.Advance(noon.Add(-time.Hour)); c != nil || e.Counts().Backwards != 1 {
		t.Errorf("Advance backwards = %v, counts %+v", c, e.Counts())
	}
}

// The frame is the caller's: what it holds may be reused at once.
func TestPutKeepsNothingOfTheFrame(t *testing.T) {
	e := New(pair())
	f := stageFrame(noon, good(float64(fleet.Bulk)))
	e.Put(f)
	f.Values[0] = good(float64(fleet.Float))
	if s := e.units[alder].stage.is; s != fleet.Bulk {
		t.Errorf("the stage changed with the caller's frame to %s", s)
	}
}
