package poller

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A notebook is a sink that keeps copies of all frames, in the order in which they came.
type notebook struct {
	mu     sync.Mutex
	frames []*fleet.Frame
	news   chan struct{} // closed at the next frame; nil while nobody waits
}

func (n *notebook) Put(f *fleet.Frame) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.frames = append(n.frames, f.Clone())
	if n.news != nil {
		close(n.news)
		n.news = nil
	}
}

// of returns the frames of a controller and group so far.
func (n *notebook) of(id fleet.ControllerID, g fleet.Group) []*fleet.Frame {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []*fleet.Frame
	for _, f := range n.frames {
		if f.Controller == id && f.Group == g {
			out = append(out, f)
		}
	}
	return out
}

func (n *notebook) all() []*fleet.Frame {
	n.mu.Lock()
	defer n.mu.Unlock()
	return append([]*fleet.Frame(nil), n.frames...)
}

// start runs a poller until the test ends or stop is called, and checks that nothing of it is left then.
func start(t *testing.T, p *Poller) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Errorf("Run: %v", err)
			}
			p.Wait()
		})
	}
	t.Cleanup(stop)
	return stop
}

// mapOf parses a map that a test writes down.
func mapOf(t testing.TB, text string) *registermap.Map {
	t.Helper()
	m, err := registermap.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// everyInstant checks that a controller's group gave exactly one frame for each instant of its grid, in order.
func everyInstant(t *testing.T, frames []*fleet.Frame, period, phase time.Duration) {
	t.Helper()
	for i, f := range frames {
		if f.At != gridAfter(f.At.Add(-1), period, phase) {
			t.Errorf("%s %s: %v is not on the grid", f.Controller, f.Group, f.At)
		}
		if i > 0 && f.At.Sub(frames[i-1].At) != period {
			t.Errorf("%s %s: after %v comes %v", f.Controller, f.Group, frames[i-1].At, f.At)
		}
		if (f.Outcome == fleet.Answered) != (len(f.Values) > 0) || (f.Layout != nil) != (len(f.Values) > 0) {
			t.Errorf("%s %s at %v: outcome %s with %d values", f.Controller, f.Group, f.At, f.Outcome, len(f.Values))
		}
		if f.Late < 0 || f.Took < 0 {
			t.Errorf("%s %s at %v: late %v, took %v", f.Controller, f.Group, f.At, f.Late, f.Took)
		}
	}
}

// outcomes counts frames by outcome.
func outcomes(frames []*fleet.Frame) map[fleet.Outcome]int {
	n := make(map[fleet.Outcome]int)
	for _, f := range frames {
		n[f.Outcome]++
	}
	return n
}

// A fake is a network without sockets, for tests in a bubble of testing/synctest.
type fake struct {
	// dial says how opening a connection to a host goes; nil: at once.
	dial func(host string) error
	// answer answers a request for registers; nil: a zero for each. The request is of the fleet's only kind here.
	answer func(host string, unit uint8, start, count uint16, timeout time.Duration) ([]uint16, error)

	mu    sync.Mutex
	opens map[string][]time.Time
	open  int // connections open now
	asked []ask
}

// An ask is one request as the fake saw it.
type ask struct {
	host    string
	unit    uint8
	start   uint16
	from    time.Time
	to      time.Time
	timeout time.Duration
}

func (n *fake) opener(a address, timeout time.Duration) (*port, error) {
	n.mu.Lock()
	if n.opens == nil {
		n.opens = make(map[string][]time.Time)
	}
	n.opens[a.host] = append(n.opens[a.host], time.Now())
	n.mu.Unlock()
	if n.dial != nil {
		if err := n.dial(a.host); err != nil {
			return nil, err
		}
	}
	n.mu.Lock()
	n.open++
	n.mu.Unlock()
	closed := false
	return &port{
		timeout: timeout,
		close: func() {
			n.mu.Lock()
			defer n.mu.Unlock()
			if !closed {
				n.open--
			}
			closed = true
		},
		bits: func(uint8, bool, uint16, uint16) ([]bool, error) { return nil, fmt.Errorf("no bits here") },
		words: func(unit uint8, _ bool, start, count uint16) ([]uint16, error) {
			if closed {
				panic("a closed connection was used")
			}
			from := time.Now()
			words, err := make([]uint16, count), error(nil)
			n.mu.Lock()
			answer := n.answer
			n.mu.Unlock()
			if answer != nil {
				words, err = answer(a.host, unit, start, count, timeout)
			}
			n.mu.Lock()
			n.asked = append(n.asked, ask{a.host, unit, start, from, time.Now(), timeout})
			n.mu.Unlock()
			return words, err
		},
	}, nil
}

// becomes makes the devices answer in another way from now on.
func (n *fake) becomes(answer func(string, uint8, uint16, uint16, time.Duration) ([]uint16, error)) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.answer = answer
}

// requests returns what a unit of a host was asked so far.
func (n *fake) requests(host string, unit uint8) []ask {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []ask
	for _, a := range n.asked {
		if a.host == host && a.unit == unit {
			out = append(out, a)
		}
	}
	return out
}

func (n *fake) openings(host string) []time.Time {
	n.mu.Lock()
	defer n.mu.Unlock()
	return append([]time.Time(nil), n.opens[host]...)
}

func (n *fake) stillOpen() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.open
}

// until waits for the frames to fulfil a condition, with a limit that only a failing test reaches.
func (n *notebook) until(t *testing.T, what string, ok func([]*fleet.Frame) bool) {
	t.Helper()
	limit := time.After(60 * time.Second)
	for {
		n.mu.Lock()
		if ok(n.frames) {
			n.mu.Unlock()
			return
		}
		if n.news == nil {
			n.news = make(chan struct{})
		}
		news := n.news
		n.mu.Unlock()
		select {
		case <-news:
		case <-limit:
			t.Fatalf("waited a minute for %s", what)
		}
	}
}
