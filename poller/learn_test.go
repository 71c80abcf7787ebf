package poller

import (
	"bytes"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"ringwarden/fleet"
)

// tenRegisters is one block of ten points, 100 to 109.
const tenRegisters = `
format: 1
model: ten registers
points:
  p0: {at: holding 100, type: u16, poll: fast}
  p1: {at: holding 101, type: u16, poll: fast}
  p2: {at: holding 102, type: u16, poll: fast}
  p3: {at: holding 103, type: u16, poll: fast}
  p4: {at: holding 104, type: u16, poll: fast}
  p5: {at: holding 105, type: u16, poll: fast}
  p6: {at: holding 106, type: u16, poll: fast}
  p7: {at: holding 107, type: u16, poll: fast}
  p8: {at: holding 108, type: u16, poll: fast}
  p9: {at: holding 109, type: u16, poll: fast}
`

// holes answers with the address in each register, and with exception 2 where one of the addresses is missing.
func holes(missing ...uint16) func(string, uint8, uint16, uint16, time.Duration) ([]uint16, error) {
	return func(_ string, _ uint8, start, count uint16, _ time.Duration) ([]uint16, error) {
		words := make([]uint16, count)
		for i := range words {
			words[i] = start + uint16(i)
			if slices.Contains(missing, words[i]) {
				return nil, modbus.ErrIllegalDataAddress
			}
		}
		return words, nil
	}
}

// A device of an older make lacks some registers that the map has. It refuses the whole block; the poller finds out
// which ones, once, and reads all others from then on, with no more refused requests.
func TestMissingRegistersAreLearned(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, tenRegisters)
		n := &fake{answer: holes(103, 107)}
		var log bytes.Buffer
		p, sink := fakePoller(n, Config{Logger: slog.New(slog.NewTextHandler(&log, nil))})
		d := device(m, "h", 1)
		p.Update([]Device{d}, fleet.Periods{Fast: 2 * time.Second})
		stop := start(t, p)
		time.Sleep(3 * time.Second)
		first := len(n.requests("h", 1))
		time.Sleep(8 * time.Second)
		later := len(n.requests("h", 1)) - first
		// A reload with the same map keeps what was learned.
		p.Update([]Device{d}, fleet.Periods{Fast: 2 * time.Second})
		time.Sleep(2 * time.Second)
		// A reload with the map read anew learns anew: the device may have been mended.
		d.Map = mapOf(t, tenRegisters)
		p.Update([]Device{d}, fleet.Periods{Fast: 2 * time.Second})
		n.becomes(holes(107))
		time.Sleep(2 * time.Second)
		stop()
		frames := sink.of(d.ID, fleet.Fast)
		everyInstant(t, frames, 2*time.Second, 0)
		for k, f := range frames {
			for i, v := range f.Values {
				missing := i == 7 || i == 3 && k < len(frames)-1
				if missing && v.Quality != fleet.Unreadable || !missing && (v.Quality != fleet.Good || v.Raw != uint64(100+i)) {
					t.Errorf("frame %d: p%d is %+v", k, i, v)
				}
			}
		}
		if first > 19 || later > 4*5 {
			t.Errorf("%d requests to find out, %d for the next four polls", first, later)
		}
		if said := strings.Count(log.String(), "no such registers"); said != 2 || !strings.Contains(log.String(), "points=\"[p3 p7]\"") {
			t.Errorf("said %d times, want once for each map:\n%s", said, &log)
		}
	})
}

// A device that refuses every address is starting, or is another one than the map says. Nothing is learned from that,
// and it is not searched through at each poll.
func TestNothingIsLearnedFromADeviceThatRefusesAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, tenRegisters)
		all := []uint16{100, 101, 102, 103, 104, 105, 106, 107, 108, 109}
		n := &fake{answer: holes(all...)}
		p, sink := fakePoller(n, Config{})
		d := device(m, "h", 1)
		p.Update([]Device{d}, fleet.Periods{Fast: 2 * time.Second})
		stop := start(t, p)
		time.Sleep(3 * time.Second)
		first := len(n.requests("h", 1))
		time.Sleep(8 * time.Second)
		later := len(n.requests("h", 1)) - first
		n.becomes(holes())
		time.Sleep(2 * time.Second)
		stop()
		frames := sink.of(d.ID, fleet.Fast)
		everyInstant(t, frames, 2*time.Second, 0)
		for k, f := range frames[:len(frames)-1] {
			if f.Outcome != fleet.Refused {
				t.Errorf("frame %d: %s, want refused", k, f.Outcome)
			}
		}
		last := frames[len(frames)-1]
		if last.Outcome != fleet.Answered {
			t.Fatalf("the device has started, and its frame says %s", last.Outcome)
		}
		for i, v := range last.Values {
			if v.Quality != fleet.Good {
				t.Errorf("p%d is %s after the start", i, v.Quality)
			}
		}
		if first != 19 || later != 4 {
			t.Errorf("%d requests at first, %d for the next four polls; want 19 (each half once) and 4", first, later)
		}
	})
}

// Plausibility is the map's: what lies outside travels, but not as a good value.
func TestImplausibleValueIsKeptApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, `
format: 1
model: one voltage
points:
  bank: {at: holding 1, type: u16, scale: 0.1, unit: V, quantity: battery.voltage, plausible: [0, 80], poll: fast}
`)
		n := &fake{answer: func(string, uint8, uint16, uint16, time.Duration) ([]uint16, error) { return []uint16{6553}, nil }}
		p, sink := fakePoller(n, Config{})
		p.Update([]Device{device(m, "h", 1)}, periods)
		stop := start(t, p)
		time.Sleep(3 * time.Second)
		stop()
		f := sink.all()[0]
		if v := f.Values[0]; v.Quality != fleet.Implausible || v.Raw != 6553 {
			t.Errorf("655.3 V is %+v", v)
		}
		if v, ok := f.Number(fleet.BatteryVoltage); ok {
			t.Errorf("655.3 V reaches a detector as %v", v)
		}
	})
}
