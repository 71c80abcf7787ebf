package poller

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// A look is one poll of the whole group more, at once; the ordinary polls stay on their grid. Wishes for what is not there
// do nothing.
func TestLookIsOnePollMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, counting), &fake{}
		p, sink := fakePoller(n, Config{})
		a, b := device(m, "gateway", 1), device(m, "gateway", 2)
		p.Look(a.ID, fleet.Fast) // before there is a connection
		p.Update([]Device{a, b}, periods)
		stop := start(t, p)
		time.Sleep(3 * periods.Fast / 2)
		asked := time.Now()
		p.Look(a.ID, fleet.Fast)
		p.Look(a.ID, fleet.Fast) // one is enough
		p.Look(a.ID, fleet.Slow) // the map has no such group
		p.Look("mill/north/nobody", fleet.Fast)
		time.Sleep(3 * periods.Fast)
		stop()
		var polls, looks []*fleet.Frame
		for _, f := range sink.of(a.ID, fleet.Fast) {
			if f.At.Equal(gridAfter(f.At.Add(-1), periods.Fast, 0)) {
				polls = append(polls, f)
			} else {
				looks = append(looks, f)
			}
		}
		everyInstant(t, polls, periods.Fast, 0)
		everyInstant(t, sink.of(b.ID, fleet.Fast), periods.Fast, 0)
		if len(looks) != 1 || len(looks[0].Values) != len(polls[0].Values) || looks[0].Layout != polls[0].Layout {
			t.Fatalf("%d looks, want 1 of all points", len(looks))
		}
		if late := looks[0].At.Sub(asked); late < 0 || late > 100*time.Millisecond {
			t.Errorf("the look came %s after it was asked for", late)
		}
	})
}

// A look without an answer is no missed poll, and a unit that is dead is not looked at.
func TestLookWithoutAnswerIsNoFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, counting), &fake{}
		p, sink := fakePoller(n, Config{})
		a := device(m, "a", 1)
		p.Update([]Device{a}, periods)
		start(t, p)
		time.Sleep(3 * periods.Fast / 2)
		n.becomes(func(_ string, _ uint8, _, _ uint16, timeout time.Duration) ([]uint16, error) {
			time.Sleep(timeout)
			return nil, fmt.Errorf("no answer: %w", context.DeadlineExceeded)
		})
		before, requests := len(sink.all()), len(n.requests("a", 1))
		p.Look(a.ID, fleet.Fast)
		time.Sleep(periods.Fast / 4 * 3)
		if got := len(n.requests("a", 1)) - requests; got == 0 {
			t.Error("nothing was asked")
		}
		polls := 0
		for _, f := range sink.all()[before:] {
			if !f.At.Equal(gridAfter(f.At.Add(-1), periods.Fast, 0)) {
				t.Errorf("a frame at %v with the outcome %s", f.At, f.Outcome)
			}
			polls++
		}
		time.Sleep(3 * periods.Fast) // polls that fail
		asked := len(n.requests("a", 1))
		p.Look(a.ID, fleet.Fast)
		time.Sleep(periods.Fast / 8)
		if got := len(n.requests("a", 1)) - asked; got > 1 {
			t.Errorf("a dead unit was looked at: %d requests", got)
		}
	})
}
