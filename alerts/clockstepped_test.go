package alerts

import (
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

var uptimeLayout = fleet.NewLayout([]fleet.Point{{Name: "up", Quantity: fleet.Uptime, Unit: fleet.Second, Mul: 1, Div: 1, Bits: 32}})

// A steppedPlant is a pair of controllers that tell their uptimes, by a clock that may be set.
type steppedPlant struct {
	f      *fleet.Fleet
	e      *Engine
	up     time.Duration
	wall   time.Time
	raised []fleet.Change // of the clock
}

func newSteppedPlant() *steppedPlant {
	f := pair()
	return &steppedPlant{f: f, e: New(f), wall: noon}
}

// once reads both.
func (p *steppedPlant) once() {
	p.up, p.wall = p.up+10*time.Second, p.wall.Add(10*time.Second)
	raw := uint64(p.up / time.Second)
	p.f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		p.e.Put(&fleet.Frame{
			Controller: c.ID, At: p.wall, Outcome: fleet.Answered, Layout: uptimeLayout,
			Values: []fleet.Value{{Raw: raw, Number: float64(raw), Quality: fleet.Good}},
		})
		return true
	})
}

func (p *steppedPlant) poll(lasts time.Duration) {
	for range int(lasts / (10 * time.Second)) {
		p.once()
		for _, c := range p.e.Advance(p.wall) {
			if c.Alarm.Kind == ClockStepped {
				p.raised = append(p.raised, c)
			}
		}
	}
}

// A step that the program saw of its own clock is one alarm, and only one: not another at each site whose uptimes show it, not
// another after a restart or a reload, and it goes once it has been said for long enough.
func TestAStepIsSaidOnce(t *testing.T) {
	p := newSteppedPlant()
	p.poll(10 * time.Minute)
	before := p.wall.Add(5 * time.Second)
	p.wall = p.wall.Add(5 * time.Minute)
	p.once() // by the new clock, before the program looked at it
	p.e.StepClock(before, before.Add(5*time.Minute), true)
	p.poll(10 * time.Minute)
	if len(p.raised) != 1 || p.raised[0].Alarm.Subject != fleet.OwnStore || p.raised[0].Alarm.State != fleet.Unacknowledged {
		t.Fatalf("the changes are %+v, want one alarm of the program's own", p.raised)
	}
	text := p.raised[0].Alarm.Text
	for _, part := range []string{"set forward by 5 min", "were moved along"} {
		if !strings.Contains(text, part) {
			t.Errorf("the alarm says %q, want %q in it", text, part)
		}
	}

	state, standing := p.e.State(), p.e.Alarms()
	p.e, p.raised = New(p.f), nil // a restart: the store tells of the step once more
	if err := p.e.Remember(state); err != nil {
		t.Fatal(err)
	}
	p.e.Restore(standing)
	p.e.StepClock(before, before.Add(5*time.Minute), true)
	p.poll(10 * time.Minute)
	p.f = pair()
	p.e.Update(p.f)
	p.poll(10 * time.Minute)
	if p.raised != nil {
		t.Errorf("a restart and a reload change %+v", p.raised)
	}
	p.poll(45 * time.Minute)
	if len(p.raised) != 1 || p.raised[0].Alarm.State != fleet.ReturnedUnacknowledged {
		t.Errorf("an hour after the step the changes are %+v, want it to have returned", p.raised)
	}
}

// Controllers that were silent at the step show it hours later: it was said then.
func TestAStepThatUptimesShowLate(t *testing.T) {
	p := newSteppedPlant()
	p.poll(10 * time.Minute)
	before := p.wall
	p.up, p.wall = p.up+5*time.Hour, p.wall.Add(6*time.Hour)
	p.e.StepClock(before, before.Add(time.Hour), true)
	p.poll(10 * time.Minute)
	if len(p.raised) != 0 {
		t.Errorf("the changes are %+v", p.raised)
	}
}

// Where the program saw nothing, the uptimes tell: of a step long after one that it did see, too.
func TestUptimesTellWhatTheProgramDidNotSee(t *testing.T) {
	p := newSteppedPlant()
	p.poll(time.Minute)
	p.e.StepClock(p.wall, p.wall.Add(time.Second), false) // too small to be said
	p.poll(2 * time.Hour)
	p.wall = p.wall.Add(5 * time.Minute)
	p.poll(10 * time.Minute)
	if len(p.raised) != 1 || p.raised[0].Alarm.Subject != "mill" || !strings.Contains(p.raised[0].Alarm.Text, "uptimes of 2 controllers") {
		t.Errorf("the changes are %+v, want one on the site", p.raised)
	}
}
