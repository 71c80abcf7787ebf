package poller

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"ringwarden/fleet"
)

const testTimeout = time.Second

// Each fault strikes one answer of a device that else is well. Either the poll gets its reading all the same, or its
// frame says that it has none; the polls after it are as before.
func TestOneFault(t *testing.T) {
	for _, f := range allFaults {
		t.Run(string(f), func(t *testing.T) {
			t.Parallel()
			l, m := newLedger(testTimeout), ledgerMap(t)
			s := newStation(t, l.reply, nil)
			x := newProxy(t, s.addr, testTimeout, onlyAt(5, f), l.passed) // the first block of the third poll
			sink := &notebook{}
			p := New(Config{Timeout: testTimeout}, sink)
			d := Device{ID: "mill/north/alder", Host: x.addr, Unit: 1, Map: m}
			p.Update([]Device{d}, fleet.Periods{Fast: 200 * time.Millisecond})
			stop := start(t, p)
			sink.until(t, "five readings", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Answered] >= 5 })
			stop()
			frames := sink.of(d.ID, fleet.Fast)
			everyInstant(t, frames, 200*time.Millisecond, 0)
			l.audit(t, 1, frames)
			n := outcomes(frames)
			if f.reads() && n[fleet.Answered] != len(frames) {
				t.Errorf("outcomes %v; each poll should have its reading", n)
			}
			missed := fleet.Silent
			if f == wrongProtocol || f == staleOnly {
				missed = fleet.Garbled // something answers there, and it is no answer
			}
			if !f.reads() && n[missed] == 0 {
				t.Errorf("outcomes %v; one poll should be %s", n, missed)
			}
			for _, r := range s.seen() {
				if r.function < 1 || r.function > 4 {
					t.Errorf("function code %d on the wire", r.function)
				}
			}
		})
	}
}

// A day's worth of trouble in seconds: single controllers and a gateway with three, each behind a line that spoils a
// good part of the answers in every way there is, and devices that refuse now and then. No reading may be lost that
// came through, none invented, doubled or kept for a later poll; every instant has its frame; and all that ever goes
// over the wire are the four reads.
func TestNoReadingIsLostOrInvented(t *testing.T) {
	t.Parallel()
	m := ledgerMap(t)
	periods := fleet.Periods{Fast: 150 * time.Millisecond, Normal: 450 * time.Millisecond, Slow: 900 * time.Millisecond}
	sink := &notebook{}
	p := New(Config{Timeout: testTimeout, Backoff: Backoff{Min: 50 * time.Millisecond, Max: 200 * time.Millisecond}}, sink)
	var (
		devices  []Device
		ledgers  []*ledger
		stations []*station
	)
	for host, units := range []int{1, 1, 1, 3} {
		l := newLedger(testTimeout)
		l.upset = refusals(uint64(host))
		s := newStation(t, l.reply, nil)
		x := newProxy(t, s.addr, testTimeout, trouble(uint64(host)), l.passed)
		stations = append(stations, s)
		for u := range units {
			devices = append(devices, Device{
				ID:   fleet.ControllerID(fmt.Sprintf("mill/north/%d-%d", host, u+1)),
				Host: x.addr, Unit: uint8(u + 1), Map: m, Phase: 20 * time.Millisecond,
			})
			ledgers = append(ledgers, l)
		}
	}
	p.Update(devices, periods)
	stop := start(t, p)
	sink.until(t, "two hundred answered polls", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Answered] >= 200 })
	stop()
	readings := 0
	for i, d := range devices {
		var frames []*fleet.Frame
		for _, g := range fleet.Groups {
			of := sink.of(d.ID, g)
			everyInstant(t, of, periods.Of(g), d.Phase)
			frames = append(frames, of...)
		}
		n := ledgers[i].audit(t, d.Unit, frames)
		t.Logf("%s: %d readings, %v", d.ID, n, outcomes(frames))
		readings += n
	}
	if readings < 300 {
		t.Errorf("%d readings altogether: the test has tried too little", readings)
	}
	functions := make(map[byte]int)
	for _, s := range stations {
		for _, r := range s.seen() {
			functions[r.function]++
		}
	}
	for function, n := range functions {
		if function < 1 || function > 4 {
			t.Errorf("function code %d went over the wire %d times", function, n)
		}
	}
	if len(functions) != 4 {
		t.Errorf("function codes %v; want all four reads", functions)
	}
}

// trouble spoils about a quarter of the answers; those faults that cost a time-out are rarer.
func trouble(seed uint64) func([]byte) fault {
	var mu sync.Mutex
	r := rand.New(rand.NewPCG(seed, 7))
	return func([]byte) fault {
		mu.Lock()
		defer mu.Unlock()
		switch n := r.IntN(100); {
		case n < 75:
			return pass
		case n < 76:
			return garbage
		}
		f := allFaults[r.IntN(len(allFaults))]
		if !f.reads() && r.IntN(4) > 0 {
			return pass
		}
		return f
	}
}

// refusals answers now and then with an exception that says nothing about addresses.
func refusals(seed uint64) func(request) []byte {
	r := rand.New(rand.NewPCG(seed, 8))
	codes := []byte{4, 5, 6, 9, 10, 11}
	return func(q request) []byte {
		if r.IntN(30) > 0 {
			return nil
		}
		return exception(q, codes[r.IntN(len(codes))])
	}
}

// A device that closes after each answer: one connection for each request, and no descriptor is left behind.
func TestReconnectingLeaksNoDescriptor(t *testing.T) {
	l, m := newLedger(testTimeout), ledgerMap(t)
	s := newStation(t, l.reply, nil)
	x := newProxy(t, s.addr, testTimeout, func([]byte) fault { return idle }, l.passed)
	sink := &notebook{}
	p := New(Config{Timeout: testTimeout}, sink)
	p.Update([]Device{{ID: "mill/north/alder", Host: x.addr, Unit: 1, Map: m}}, fleet.Periods{Slow: 20 * time.Millisecond})
	stop := start(t, p)
	sink.until(t, "a first reading", func(all []*fleet.Frame) bool { return len(all) >= 2 })
	before := descriptors(t)
	sink.until(t, "fifty readings", func(all []*fleet.Frame) bool { return len(all) >= 52 })
	after := descriptors(t)
	for n := 53; n < 63; n++ { // the proxy and the station may still be closing their ends; a leak only grows
		sink.until(t, "one more", func(all []*fleet.Frame) bool { return len(all) >= n })
		after = min(after, descriptors(t))
	}
	stop()
	if s.connections() < 25 {
		t.Fatalf("%d connections only", s.connections())
	}
	if after > before+12 {
		t.Errorf("%d descriptors after %d connections, %d before", after, s.connections(), before)
	}
}

// A device that restarts: its connections die, its port is closed for a while, and then all is as before.
func TestDeviceRestarts(t *testing.T) {
	t.Parallel()
	l, m := newLedger(testTimeout), ledgerMap(t)
	s := newStation(t, l.reply, nil)
	sink := &notebook{}
	p := New(Config{Timeout: testTimeout, Backoff: Backoff{Min: 20 * time.Millisecond, Max: 50 * time.Millisecond}}, sink)
	d := Device{ID: "mill/north/alder", Host: s.addr, Unit: 1, Map: m}
	p.Update([]Device{d}, fleet.Periods{Fast: 50 * time.Millisecond})
	stop := start(t, p)
	sink.until(t, "a reading", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Answered] > 0 })
	s.close()
	sink.until(t, "news of the silence", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Unreachable] > 1 })
	again := newStationAt(t, s.addr, l.reply, nil)
	was := 0
	sink.until(t, "a reading after the restart", func(all []*fleet.Frame) bool {
		if was == 0 {
			was = outcomes(all)[fleet.Answered]
		}
		return outcomes(all)[fleet.Answered] > was
	})
	stop()
	everyInstant(t, sink.of(d.ID, fleet.Fast), 50*time.Millisecond, 0)
	l.audit(t, 1, sink.of(d.ID, fleet.Fast))
	if again.connections() == 0 {
		t.Errorf("no connection after the restart")
	}
}
