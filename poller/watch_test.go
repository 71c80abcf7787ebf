package poller

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// counting counts frames beside other things, and has addresses that must not be touched between the counters.
const counting = `
format: 1
model: counting
reads: {pause: 20ms, bridge: 12, forbidden: [11]}
points:
  good:  {at: holding 10, type: u16, quantity: link.good, scale_from: by}
  bad:   {at: holding 12, type: u16, quantity: link.bad}
  by:    {at: holding 14, type: s16, poll: fast}
  stage: {at: holding 40, type: u16, quantity: stage, values: {0: off}}
`

// watching starts a watch that lasts until the returned function is called.
func watching(t *testing.T, p *Poller, ids ...fleet.ControllerID) (*notebook, func()) {
	t.Helper()
	sink := &notebook{}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Watch(ctx, ids, sink) }()
	return sink, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Watch: %v", err)
		}
	}
}

// A watch asks for what is counted on cables and nothing else, as fast as the map's pause lets it; the ordinary polls
// stay where they are, and see nothing of it.
func TestWatchAsksForLinksAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, counting), &fake{}
		p, sink := fakePoller(n, Config{})
		a, b := device(m, "a", 1), device(m, "b", 1)
		p.Update([]Device{a, b}, periods)
		stop := start(t, p)
		time.Sleep(10 * time.Second)
		before := len(n.requests("a", 1))
		watched, end := watching(t, p, a.ID)
		time.Sleep(5 * time.Second)
		p.Update([]Device{a, b}, periods) // a reload does not end it
		time.Sleep(5 * time.Second)
		end()
		frames := watched.of(a.ID, fleet.Fast)
		after := len(n.requests("a", 1))
		time.Sleep(10 * time.Second)
		stop()
		if len(frames) < 150 || len(frames) > 201 || len(watched.all()) != len(frames) {
			t.Errorf("%d frames of %d in 10 s, want nearly 20 in each, all of the watched one", len(frames), len(watched.all()))
		}
		for _, f := range frames {
			if len(f.Values) != 3 || f.Outcome != fleet.Answered {
				t.Fatalf("%s with %d values, want the two counters and their scale", f.Outcome, len(f.Values))
			}
		}
		var last time.Time
		for i, r := range n.requests("a", 1) {
			if i >= before && i < after && r.from.Sub(last) < m.Pause {
				t.Errorf("a request %s after the one before; the map wants %s", r.from.Sub(last), m.Pause)
			}
			if r.start == 11 {
				t.Error("the forbidden register was asked for")
			}
			last = r.to
		}
		if extra := after - before; extra < 300 {
			t.Errorf("%d requests in 10 s; each look takes two, for what lies between is forbidden", extra)
		}
		for _, d := range []Device{a, b} {
			everyInstant(t, sink.of(d.ID, fleet.Fast), periods.Fast, 0)
			if got := len(sink.of(d.ID, fleet.Fast)); got < 14 || got > 15 {
				t.Errorf("%s: %d ordinary polls in 30 s, want 14 or 15", d.ID, got)
			}
		}
		if got := len(n.requests("b", 1)); got > 3*16 {
			t.Errorf("the neighbour was asked %d times", got)
		}
	})
}

// A unit that does not answer is left to the ordinary polls, so that its neighbours behind a gateway do not wait for it;
// once it answers it is watched again.
func TestWatchLeavesTheDeadAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, counting)
		silent := func(_ string, unit uint8, _, count uint16, timeout time.Duration) ([]uint16, error) {
			if unit == 2 {
				time.Sleep(timeout)
				return nil, fmt.Errorf("no answer: %w", context.DeadlineExceeded)
			}
			return make([]uint16, count), nil
		}
		n := &fake{answer: silent}
		p, _ := fakePoller(n, Config{})
		alive, dead := device(m, "gateway", 1), device(m, "gateway", 2)
		p.Update([]Device{alive, dead}, periods)
		start(t, p)
		time.Sleep(time.Minute)
		watched, end := watching(t, p, alive.ID, dead.ID)
		time.Sleep(20 * time.Second)
		if got := len(watched.of(alive.ID, fleet.Fast)); got < 200 {
			t.Errorf("%d frames of the live unit in 20 s beside a dead one", got)
		}
		if got := len(watched.of(dead.ID, fleet.Fast)); got > 1 {
			t.Errorf("the dead unit was watched %d times", got)
		}
		n.becomes(nil)
		time.Sleep(3 * time.Minute)
		end()
		if got := len(watched.of(dead.ID, fleet.Fast)); got < 100 {
			t.Errorf("%d frames of the unit since it came back", got)
		}
	})
}

// Watches are bounded, and one that is refused says so at once.
func TestWatchesAreBounded(t *testing.T) {
	p, _ := fakePoller(&fake{}, Config{})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, mostWatches+1)
	for range mostWatches + 1 {
		go func() { ended <- p.Watch(ctx, nil, &notebook{}) }()
	}
	if err := <-ended; !errors.Is(err, errWatches) {
		t.Errorf("one more than %d watches: %v", mostWatches, err)
	}
	cancel()
	for range mostWatches {
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}
