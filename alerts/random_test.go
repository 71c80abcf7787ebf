package alerts_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// everything is a layout with all that detectors look at.
var everything = func() *fleet.Layout {
	var points []fleet.Point
	for _, q := range fleet.AllQuantities() {
		p := fleet.Point{Name: q.String(), Quantity: q, Unit: q.Unit(), Mul: 1, Div: 1, Bits: 16, Counter: q.Counter()}
		if q == fleet.Faults {
			p.Flags = []fleet.Name{{Code: 0, Word: fleet.GroundFault}}
		}
		points = append(points, p)
	}
	return fleet.NewLayout(points)
}()

// odd are numbers that wires, maps and devices come up with.
var odd = []float64{0, 1, 2, 3, 4, 5, 6, 7, 20, 25, 25, 26, 100, 65535, -1, 0.5, 1e18, math.NaN(), math.Inf(1), math.Inf(-1)}

// moment is what happens at one instant: frames, then time.
type moment struct {
	frames  []fleet.Frame
	advance time.Time
	which   int    // which alarm somebody does something about, if there are that many
	act     string // what a person does, or what becomes of the program
}

// acts are what may happen beside frames and time. Most moments have none.
var acts = append(slices.Repeat([]string{""}, 12), "acknowledge", "acknowledge", "acknowledge", "shelve", "shelve once", "unshelve",
	"take out", "take kind out", "put back", "restart", "restart without memory", "reload")

func drawMoments(t *rapid.T, f *fleet.Fleet) []moment {
	moments := make([]moment, rapid.IntRange(1, 40).Draw(t, "moments"))
	now := epoch
	for i := range moments {
		m := &moments[i]
		now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 10, 10, 10, 10, 60, 4000, -30}).Draw(t, "step")) * time.Second)
		m.advance = now
		m.which = rapid.IntRange(0, 20).Draw(t, "which")
		m.act = rapid.SampledFrom(acts).Draw(t, "act")
		f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
			if rapid.IntRange(0, 5).Draw(t, "skips") == 0 {
				return true
			}
			frame := fleet.Frame{
				Controller: c.ID, At: now.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 0, 0, -20, 3000}).Draw(t, "late")) * time.Second),
				Group:   rapid.SampledFrom(fleet.Groups).Draw(t, "group"),
				Outcome: rapid.SampledFrom(append(slices.Repeat([]fleet.Outcome{fleet.Answered}, 12), fleet.Outcomes...)).Draw(t, "outcome"),
			}
			if frame.Outcome == fleet.Answered {
				frame.Layout = everything
				for range everything.Points {
					n := rapid.SampledFrom(odd).Draw(t, "number")
					frame.Values = append(frame.Values, fleet.Value{
						Number: n, Raw: uint64(int64(min(max(n, -1e9), 1e9))), // not a number becomes whatever it becomes
						Quality: rapid.SampledFrom(append(slices.Repeat([]fleet.Quality{fleet.Good}, 9), fleet.Missing, fleet.Absent, fleet.Implausible, fleet.Undefined, fleet.Unreadable)).Draw(t, "quality"),
					})
				}
			}
			m.frames = append(m.frames, frame)
			return true
		})
	}
	return moments
}

// tell plays moments; order says in which order the frames of one instant come.
func tell(f *fleet.Fleet, moments []moment, reversed bool) []fleet.Change {
	e := alerts.New(f)
	var all []fleet.Change
	for i := range moments {
		m := &moments[i]
		frames := slices.Clone(m.frames)
		if reversed {
			slices.Reverse(frames)
		}
		for j := range frames {
			e.Put(&frames[j])
		}
		all = append(all, e.Advance(m.advance)...)
		for _, a := range e.Alarms() {
			if strings.Contains(a.Text, "106751 d") { // since the year 1
				panic(fmt.Sprintf("%v counts from no instant: %s", a.AlarmKey, a.Text))
			}
			if held := a.State == fleet.Shelved || a.State == fleet.OutOfService; held && !a.Until.IsZero() && m.advance.Sub(a.Until) > 30*time.Second { // slow detectors are asked so often
				panic(fmt.Sprintf("%v is still %s at %v, though that ended at %v", a.AlarmKey, a.State, m.advance, a.Until))
			}
		}
		var done []fleet.Change
		e, done = do(f, e, m)
		all = append(all, done...)
	}
	e.Update(&fleet.Fleet{Periods: f.Periods})
	latest := epoch
	for i := range moments {
		if moments[i].advance.After(latest) {
			latest = moments[i].advance
		}
	}
	return append(all, e.Advance(latest.Add(time.Second))...)
}

// do does what a moment wants beside frames and time. What cannot be done now is refused, and changes nothing.
func do(f *fleet.Fleet, e *alerts.Engine, m *moment) (*alerts.Engine, []fleet.Change) {
	at := m.advance
	var key fleet.AlarmKey
	if standing := e.Alarms(); m.which < len(standing) {
		key = standing[m.which].AlarmKey
	}
	var one fleet.Change
	var many []fleet.Change
	err := error(nil)
	wish := alerts.Shelving{Until: at.Add(time.Minute), OneShot: m.act == "shelve once", Who: "Ann", Why: "known"}
	order := alerts.Order{At: key.Subject, Until: at.Add(2 * time.Minute), Who: "Ben", Why: "work"}
	switch m.act {
	case "acknowledge":
		one, err = e.Acknowledge(key, "Ann", "", at)
	case "shelve", "shelve once":
		one, err = e.Shelve(key, wish, at)
	case "unshelve":
		one, err = e.Unshelve(key, "Ann", "looked at", at)
	case "take out":
		many, err = e.TakeOutOfService(order, at)
	case "take kind out":
		order.Kinds = []fleet.Kind{key.Kind}
		many, err = e.TakeOutOfService(order, at)
	case "put back":
		many, err = e.ReturnToService(key.Subject, "Ben", "done", at)
	case "restart", "restart without memory":
		standing, state := e.Alarms(), e.State()
		e = alerts.New(f)
		if m.act == "restart" {
			err = e.Remember(state)
		}
		e.Restore(standing)
	case "reload":
		e.Update(f)
	}
	if err == nil && !one.At.IsZero() {
		many = append(many, one)
	}
	return e, many
}

// anywhere are the states that a person can bring an alarm to from any other.
var anywhere = []fleet.AlarmState{fleet.Shelved, fleet.OutOfService}

// steps is the transition table of ANSI/ISA-18.2 beside those.
var steps = map[fleet.AlarmState][]fleet.AlarmState{
	fleet.AlarmNormal:            {fleet.Unacknowledged, fleet.Suppressed},
	fleet.Unacknowledged:         {fleet.Acknowledged, fleet.ReturnedUnacknowledged, fleet.Suppressed},
	fleet.Acknowledged:           {fleet.AlarmNormal, fleet.Suppressed},
	fleet.ReturnedUnacknowledged: {fleet.AlarmNormal, fleet.Unacknowledged, fleet.Suppressed},
	fleet.Suppressed:             {fleet.AlarmNormal, fleet.Unacknowledged},
	fleet.Shelved:                {fleet.AlarmNormal, fleet.Unacknowledged, fleet.Suppressed},
	fleet.OutOfService:           {fleet.AlarmNormal, fleet.Unacknowledged, fleet.Suppressed},
}

// Whatever comes over the wire, in whatever order, with restarts and people in between: nothing panics, each alarm's
// changes follow on each other by the standard's table, none is repeated, lost or held back beyond its end, and the same
// frames give the same changes, also when the controllers of one instant come in another order. In the end everything
// is taken out of the fleet file, and nothing stands any more.
func TestAnyHistory(t *testing.T) {
	f := randomFleet()
	rapid.Check(t, func(t *rapid.T) {
		moments := drawMoments(t, f)
		changes := tell(f, moments, false)
		if diff := cmp.Diff(changes, tell(f, moments, true)); diff != "" {
			t.Fatalf("frames of one instant in another order give other changes:\n%s", diff)
		}
		state := map[fleet.AlarmKey]fleet.AlarmState{}
		for _, c := range changes {
			key := c.Alarm.AlarmKey
			if key.Kind == alerts.KindOutOfService { // an order may be replaced, and is no alarm of the plant
				state[key] = c.Alarm.State
				continue
			}
			if c.From != state[key] {
				t.Fatalf("%v: changes from %s, but was %s", key, c.From, state[key])
			}
			removed := c.Why == "no longer in the fleet file" && c.Alarm.State == fleet.AlarmNormal
			if !removed && !slices.Contains(append(anywhere, steps[c.From]...), c.Alarm.State) {
				t.Fatalf("%v: from %s to %s", key, c.From, c.Alarm.State)
			}
			if c.Alarm.Text == "" || c.Alarm.Raised.IsZero() || c.Alarm.Since.After(c.Alarm.Raised) {
				t.Fatalf("%v: %+v", key, c.Alarm)
			}
			for _, fig := range c.Alarm.Figures {
				if math.IsNaN(fig.Value) || math.IsInf(fig.Value, 0) {
					t.Fatalf("%v: figure %+v", key, fig)
				}
			}
			state[key] = c.Alarm.State
		}
		for key, is := range state {
			if is != fleet.AlarmNormal && key.Subject != fleet.OwnStore {
				t.Fatalf("%v is %s, though it is out of the fleet file", key, is)
			}
		}
	})
}

func randomFleet() *fleet.Fleet {
	s := newStory()
	for _, line := range [][]string{
		{"ring", "north:", "alder(reference,detector)", "birch", "cedar(wind)", "dogwood(hydro,brake)"},
		{"line", "south:", "elm(detector)", "fir(reference)", "gorse(stay)"},
	} {
		if err := s.declare(line); err != nil {
			panic(err)
		}
	}
	s.begin()
	return &s.fleet
}
