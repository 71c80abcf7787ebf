package alerts

import (
	"math/rand/v2"
	"testing"
	"time"

	"ringwarden/fleet"
)

// A flagged plant is a ring whose maps offer nothing of a cable but a sampled flag, and whose cables carry a frame each
// second. It is polled every ten seconds, and ticks each second.
type flagged struct {
	engine  *Engine
	fleet   *fleet.Fleet
	layout  *fleet.Layout
	rand    *rand.Rand
	now     time.Time
	bad     float64 // share of bad frames
	cut     int     // the cable into this controller carries nothing; -1: none is cut
	gone    int     // this controller does not answer; -1: all do
	mute    bool    // looks get no answer
	fine    []bool
	polls   int
	looks   int
	decided time.Time // when a cable was called down first
}

func flaggedRing(n int, bad float64) *flagged {
	f := ringOf(n)
	heard := *plainPoint(1)
	heard.Name, heard.Quantity = "heard", fleet.LinkOK
	return &flagged{
		engine: New(f), fleet: f, layout: fleet.NewLayout([]fleet.Point{heard}), rand: rand.New(rand.NewPCG(3, 5)),
		now: noon, bad: bad, cut: -1, gone: -1, fine: make([]bool, n),
	}
}

func (p *flagged) answer(i int) {
	if i == p.gone {
		p.engine.Put(&fleet.Frame{Controller: p.fleet.Sites[0].Rings[0].Controllers[i].ID, At: p.now, Outcome: fleet.Silent})
		return
	}
	v := fleet.Value{Quality: fleet.Good}
	if p.fine[i] {
		v.Raw, v.Number = 1, 1
	}
	p.engine.Put(&fleet.Frame{
		Controller: p.fleet.Sites[0].Rings[0].Controllers[i].ID, At: p.now, Outcome: fleet.Answered, Layout: p.layout, Values: []fleet.Value{v},
	})
}

// second lets a second pass: a frame on each cable, the polls that are due, and the looks that are asked for.
func (p *flagged) second() {
	p.now = p.now.Add(time.Second)
	for i := range p.fine {
		p.fine[i] = i != p.cut && p.rand.Float64() >= p.bad
	}
	if p.now.Sub(noon)%p.fleet.Periods.Fast == 0 {
		for i := range p.fine {
			p.answer(i)
			p.polls++
		}
	}
	for _, c := range p.engine.Advance(p.now) {
		if c.Alarm.Kind == "link-down" && c.Alarm.State == fleet.Unacknowledged && p.decided.IsZero() {
			p.decided = p.now
		}
	}
	for _, l := range p.engine.Looks(p.now) {
		p.looks++
		for i, c := range p.fleet.Sites[0].Rings[0].Controllers {
			if c.ID == l.Controller && !p.mute {
				p.answer(i)
			}
		}
	}
}

func (p *flagged) pass(d time.Duration) {
	for range int(d / time.Second) {
		p.second()
	}
}

// A cut cable is called down within three polls where these alone could not tell it from chance, and nobody is called down
// before.
func TestSecondLooksDecideSooner(t *testing.T) {
	p := flaggedRing(8, 0.01)
	p.pass(6 * time.Hour)
	if !p.decided.IsZero() {
		t.Fatalf("a healthy cable was called down after %s", p.decided.Sub(noon))
	}
	if least := p.engine.sites[0].rings[0].links[3].leastBad(); least < 4 {
		t.Fatalf("%d bad samples are enough in this ring: the polls alone would do", least)
	}
	p.cut = 4
	begun := p.now
	p.pass(30 * time.Second)
	if p.decided.IsZero() {
		t.Errorf("not called down within three polls of ten seconds")
	} else {
		t.Logf("called down after %s", p.decided.Sub(begun))
	}
	looks := p.looks
	p.pass(10 * time.Minute)
	if more := p.looks - looks; more > 60 {
		t.Errorf("%d looks in ten minutes after it was decided", more)
	}
}

// Looks end as soon as the flag is good again.
func TestSecondLooksEnd(t *testing.T) {
	p := flaggedRing(4, 0)
	p.bad = 0.02
	p.pass(2 * time.Hour)
	p.bad = 0
	p.pass(time.Minute)
	before := p.looks
	p.pass(8 * time.Second) // until just before the next poll
	p.cut = 2
	p.pass(2 * time.Second)
	p.cut = -1
	if !p.engine.Doubting() {
		t.Fatal("a bad sample raises no doubt")
	}
	p.pass(9 * time.Second)
	if got := p.looks - before; got != 1 {
		t.Errorf("%d looks at a flag that was bad once, want 1", got)
	}
	if p.engine.Doubting() {
		t.Error("the doubt outlasts the good sample")
	}
	if p.engine.Looked() != uint64(p.looks) {
		t.Errorf("%d looks counted, %d asked for", p.engine.Looked(), p.looks)
	}
}

// In a healthy ring of the largest usual share of bad frames, looks are a few hundredths of the polls; and where they get no
// answer there are ten for a bad run at most, some cables at a time.
func TestSecondLooksAreBounded(t *testing.T) {
	p := flaggedRing(10, 0.03)
	p.pass(24 * time.Hour)
	if share := float64(p.looks) / float64(p.polls); share < 0.01 || share > 0.05 {
		t.Errorf("%d looks beside %d polls: %.1f %%, want about 3", p.looks, p.polls, 100*share)
	}
	if !p.decided.IsZero() {
		t.Errorf("a healthy cable was called down after %s", p.decided.Sub(noon))
	}
	p.mute = true
	for i := range p.fine {
		p.fine[i] = true
	}
	before := p.looks
	p.bad = 1
	for !p.engine.Doubting() {
		p.second()
	}
	if got := len(p.engine.sites[0].rings[0].doubts); got > doubted {
		t.Errorf("%d cables of 10 are looked at at a time, want %d at most", got, doubted)
	}
	p.pass(10 * time.Minute)
	if got := p.looks - before; got > mostLooks*len(p.fine) {
		t.Errorf("%d looks at 10 flags that stay bad", got)
	}
}

// Where frames are as far apart as polls, nothing can be gained, and soon nothing is asked.
func TestNoSecondLooksWhereFramesAreRare(t *testing.T) {
	var s stickiness
	for range 20 {
		s.look(2*time.Second, false)
		s.learn(2, 10*time.Second)
	}
	p := flaggedRing(4, 0.02)
	r := p.engine.sites[0].rings[0]
	r.sticks = s
	for _, u := range r.units {
		u.presence.answered, u.presence.up = noon, noon.Add(-time.Hour)
	}
	l := r.links[1]
	l.quiet = quietTrack{by: byFlag, at: noon, period: 10 * time.Second, misses: 1, doubt: doubt{polled: noon, first: noon, polls: 1, frames: 1}}
	if at, ok := l.nextLook(noon); ok {
		t.Errorf("a look after %s, of frames that are 20 s apart", at.Sub(noon))
	}
}

// No look is asked for within a second of a poll, which would say the same.
func TestSecondLooksKeepAwayFromPolls(t *testing.T) {
	p := flaggedRing(6, 0.01)
	p.pass(6 * time.Hour)
	p.cut = 3
	for range 40 {
		before := p.looks
		p.second()
		if sincePoll := p.now.Sub(noon) % p.fleet.Periods.Fast; p.looks > before && sincePoll == 0 {
			t.Errorf("a look at the instant of a poll, %s after the cut", p.now.Sub(noon))
		}
	}
	if p.decided.IsZero() {
		t.Error("the cut cable was not called down")
	}
}

// The sample that decides makes the engine eager, and nothing before it: who advances it at once has the alarm without
// waiting for a tick.
func TestDecidingSampleMakesEager(t *testing.T) {
	p := flaggedRing(8, 0.01)
	p.pass(6 * time.Hour)
	p.cut = 4
	for range 40 {
		p.second()
		if !p.engine.Eager() {
			continue
		}
		if !p.decided.IsZero() {
			t.Fatal("eager after the alarm")
		}
		for _, c := range p.engine.Advance(p.now) {
			if c.Alarm.Kind == "link-down" && c.Alarm.State == fleet.Unacknowledged {
				return
			}
		}
		t.Fatal("eager for a sample that decides nothing")
	}
	t.Error("never eager")
}

// Looks go on where a cable's silence was explained by a sender that did not answer, once it answers again.
func TestSecondLooksAfterTheSenderCameBack(t *testing.T) {
	p := flaggedRing(8, 0.01)
	p.pass(6 * time.Hour)
	p.cut, p.gone = 4, 3
	p.pass(2 * time.Minute)
	if !p.decided.IsZero() {
		t.Fatal("called down while its sender is silent")
	}
	p.gone = -1
	back, looks := p.now, p.looks
	for p.decided.IsZero() && p.now.Sub(back) < time.Minute {
		p.second()
	}
	if p.looks == looks {
		t.Error("no look since the sender is back")
	}
	if took := p.decided.Sub(back); p.decided.IsZero() || took > 30*time.Second {
		t.Errorf("called down %s after the sender came back, want three polls of ten seconds at most", took)
	}
}
