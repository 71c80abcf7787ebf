package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A plant is a box with one controller whose clock is wrong now and then; it knows the true time of every poll.
type plant struct {
	t      *rapid.T
	path   string
	s      *store.Store
	boots  int
	named  bool      // the machine says which of its starts it is
	on     time.Time // when it was switched on, in truth
	copies int       // of the file, one for each power cut

	truth time.Time     // now
	off   time.Duration // what the clock says more than the truth
	saved time.Time     // what the clock said when the box was switched off last

	polls []poll // the n-th has the number n in its first value
	run   int    // where the polls begin of this run, or of this boot where that has a name
	begun bool   // something was stored in it
	leaps []leap // ahead, that nobody could know for wrong
}

// A leap ahead lies before a poll.
type leap struct {
	before int
	by     time.Duration
}

// A poll is where a frame should lie.
type poll struct {
	at    time.Time
	exact bool // as it was polled, unmarked; else within a millisecond or two
}

func (p *plant) clock() time.Time { return p.truth.Add(p.off) }

// open opens the store, as the program does.
func (p *plant) open() {
	var o store.Options
	if p.named {
		o.Boot = store.Boot{ID: fmt.Sprint("boot ", p.boots), Now: func() (time.Time, time.Duration) { return p.clock(), p.truth.Sub(p.on) }}
	}
	s, err := store.Open(p.path, o)
	if err != nil {
		p.t.Fatal(err)
	}
	p.s = s
}

// boot opens the store with a clock as boxes have it: right, without one, as it was saved, or years ahead.
func (p *plant) boot() {
	p.truth = p.truth.Add(time.Duration(rapid.IntRange(1, 400).Draw(p.t, "minutes off")) * time.Minute)
	p.off = 0
	switch rapid.SampledFrom([]string{"right", "1970", "saved", "saved an hour ago", "ahead"}).Draw(p.t, "clock") {
	case "1970":
		p.off = time.Unix(100, 0).Sub(p.truth)
	case "saved":
		p.off = p.saved.Sub(p.truth)
	case "saved an hour ago":
		p.off = p.saved.Add(-time.Hour).Sub(p.truth)
	case "ahead":
		p.off = 400 * 24 * time.Hour
	}
	p.boots, p.on = p.boots+1, p.truth.Add(-time.Duration(rapid.IntRange(0, 90).Draw(p.t, "minutes up"))*time.Minute)
	p.begin()
	p.open()
}

// begin begins another run.
func (p *plant) begin() { p.run, p.leaps, p.begun = len(p.polls), nil, false }

// shutDown ends the program: in good order, or as if the power failed after its last commit.
func (p *plant) shutDown() {
	p.saved = p.clock()
	if rapid.Bool().Draw(p.t, "killed") {
		data, err := os.ReadFile(p.path)
		if err != nil {
			p.t.Fatal(err)
		}
		p.copies++
		defer func(old string) {
			if err := errors.Join(os.Remove(old), os.WriteFile(p.path, data, 0o600)); err != nil {
				p.t.Fatal(err)
			}
		}(p.path)
		p.path = fmt.Sprint(p.path, ".", p.copies)
	}
	if err := p.s.Close(); err != nil {
		p.t.Fatal(err)
	}
}

// again starts the program anew while the machine runs on, and its clock may be set meanwhile.
func (p *plant) again() {
	p.truth = p.truth.Add(time.Duration(rapid.IntRange(0, 100).Draw(p.t, "minutes away")) * time.Minute)
	off := rapid.SampledFrom([]time.Duration{p.off, p.off, 0, 0, time.Hour, -time.Hour, 30 * time.Hour}).Draw(p.t, "clock meanwhile")
	before, after := p.clock(), p.truth.Add(off)
	moves := p.s.StepMoves(before, after)
	p.shutDown()
	switch {
	case !p.named || !p.begun:
		p.off = off
		p.begin()
	case off != p.off:
		p.stepped(off, moves)
	}
	p.open()
}

// poll reads the controller some times, ten minutes apart.
func (p *plant) poll() {
	var frames []fleet.Frame
	for range rapid.IntRange(1, 90).Draw(p.t, "polls") {
		p.truth = p.truth.Add(10 * time.Minute)
		frames = append(frames, reading("mill/north/alder", p.clock(), uint64(len(p.polls)), 1))
		p.polls = append(p.polls, poll{at: p.clock(), exact: true})
	}
	if err := p.s.Append(context.Background(), frames); err != nil {
		p.t.Fatal(err)
	}
	p.begun = true
}

// step sets the clock.
func (p *plant) step(off time.Duration) {
	before, after := p.clock(), p.truth.Add(off)
	moves := p.s.StepMoves(before, after)
	p.stepped(off, moves)
	if p.named {
		was, is, stepped := p.s.ClockStepped()
		if by := after.Sub(before); stepped != (by != 0) || !was.Equal(before) || !is.Equal(after) {
			p.t.Fatalf("ClockStepped() = %v, %v, %v; want %v, %v", was, is, stepped, before, after)
		}
	}
	if _, err := p.s.StepClock(context.Background(), before, after); err != nil {
		p.t.Fatal(err)
	}
	if _, _, again := p.s.ClockStepped(); again {
		p.t.Fatal("ClockStepped() says so once more")
	}
	p.begun = true
}

// stepped says where the polls of this run lie after the clock was set, by the true time: what was read before a leap ahead
// that is taken back was right.
func (p *plant) stepped(off time.Duration, moves bool) {
	by := off - p.off
	p.off = off
	switch {
	case by == 0:
	case !moves:
		p.leaps = append(p.leaps, leap{len(p.polls), by})
	case by > 0:
		p.leaps = nil
		for i := p.run; i < len(p.polls); i++ {
			p.polls[i] = poll{at: p.polls[i].at.Add(by)}
		}
	default:
		p.takeBack(-by)
	}
}

// takeBack sets the clock back: a poll moves by what is left once the leaps after it are taken back.
func (p *plant) takeBack(by time.Duration) {
	for i := p.run; i < len(p.polls); i++ {
		left := by
		for _, l := range p.leaps {
			if l.before > i {
				left -= l.by
			}
		}
		if left > 0 {
			p.polls[i] = poll{at: p.polls[i].at.Add(-left)}
		}
	}
	for i := len(p.leaps) - 1; i >= 0; i-- {
		l := &p.leaps[i]
		l.by, by = max(0, l.by-by), max(0, by-l.by)
	}
}

// check wants every frame once, where it belongs, and rollups that say what the frames say.
func (p *plant) check() {
	p.t.Helper()
	met := make([]bool, len(p.polls))
	last := time.Unix(0, -1<<62)
	for f, err := range p.s.Frames(context.Background(), store.Query{}) {
		if err != nil {
			p.t.Fatal(err)
		}
		n := f.Values[0].Raw
		want := p.polls[n]
		if d := f.At.Sub(want.at); met[n] || d < -time.Millisecond || d > time.Millisecond || want.exact == f.Restamped {
			p.t.Fatalf("poll %d lies at %v, marked %v, again %v; want %v, as it was: %v", n, f.At, f.Restamped, met[n], want.at, want.exact)
		}
		if !f.At.After(last) {
			p.t.Fatalf("poll %d at %v comes after %v", n, f.At, last)
		}
		met[n], last = true, f.At
	}
	for n, ok := range met {
		if !ok {
			p.t.Fatalf("poll %d of %v is lost", n, p.polls[n].at)
		}
	}
}

// rollups wants the hours that are kept to be those that the frames make, and none where there is no frame.
func (p *plant) rollups() {
	counts := map[time.Time]int{}
	for f, err := range p.s.Frames(context.Background(), store.Query{}) {
		if err != nil {
			p.t.Fatal(err)
		}
		counts[f.At.Truncate(time.Hour)]++
	}
	for r, err := range p.s.Rollups(context.Background(), "mill/north/alder", "volts", store.Hour, time.Time{}, time.Time{}) {
		if err != nil {
			p.t.Fatal(err)
		}
		if r.Count != counts[r.Start] {
			p.t.Fatalf("the hour from %v counts %d, the frames of it are %d", r.Start, r.Count, counts[r.Start])
		}
		delete(counts, r.Start)
	}
	if len(counts) > 0 {
		p.t.Fatalf("no rollup has the frames of %v", counts)
	}
}

// Whatever a clock does: boots in 1970, where the box was switched off, over what an earlier boot stored, or years ahead,
// set right at once, late, wrongly and then again, before and after folds, while the program runs or between two of its
// starts, with the power failing in between: no frame is lost, none hides another, each is where the last word on the clock
// puts it, and the rollups follow.
func TestWhateverTheClockDoes(t *testing.T) {
	folder, runs := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		runs++
		p := plant{t: rt, path: filepath.Join(folder, fmt.Sprint(runs, ".db")), truth: noon, saved: noon, named: rapid.Bool().Draw(rt, "boots have names")}
		p.boot()
		for range rapid.IntRange(1, 12).Draw(rt, "steps") {
			switch rapid.SampledFrom([]string{"poll", "poll", "fold", "fold and join", "right", "right", "wrong", "restart", "again", "again"}).Draw(rt, "step") {
			case "poll":
				p.poll()
			case "fold":
				if err := p.s.Fold(context.Background(), p.clock().Add(-30*time.Minute)); err != nil {
					rt.Fatal(err)
				}
			case "fold and join":
				if err := p.s.FoldDue(context.Background(), p.clock().Add(12*time.Hour)); err != nil {
					rt.Fatal(err)
				}
			case "right":
				p.step(0)
			case "wrong":
				p.step(time.Duration(rapid.IntRange(-50, 50).Draw(rt, "hours wrong")) * time.Hour)
			case "restart":
				p.shutDown()
				p.boot()
			case "again":
				p.again()
			}
			p.check()
		}
		p.rollups()
		if err := p.s.Fold(context.Background(), noon.AddDate(3, 0, 0)); err != nil {
			rt.Fatal(err)
		}
		p.check()
		p.rollups()
		p.shutDown()
		storetest.Check(t, p.path)
	})
}
