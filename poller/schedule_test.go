package poller

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// threeGroups has one register in each poll group; the address tells which.
const threeGroups = `
format: 1
model: three groups
points:
  a: {at: holding 10, type: u16, poll: fast}
  b: {at: holding 20, type: u16, poll: normal}
  c: {at: holding 30, type: u16, poll: slow}
`

var periods = fleet.Periods{Fast: 2 * time.Second, Normal: 10 * time.Second, Slow: 60 * time.Second}

// fakePoller returns a poller over a network without sockets.
func fakePoller(n *fake, cfg Config) (*Poller, *notebook) {
	sink := &notebook{}
	p := New(cfg, sink)
	p.open = n.opener
	return p, sink
}

// device is a controller with the map of these tests.
func device(m *registermap.Map, host string, unit uint8) Device {
	return Device{ID: fleet.ControllerID(fmt.Sprintf("mill/north/%s-%d", host, unit)), Host: host, Unit: unit, Map: m}
}

// Neighbours in a ring are compared with each other: they must be read at the same instant.
func TestRingIsReadAtTheSameInstant(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, threeGroups), &fake{}
		p, sink := fakePoller(n, Config{})
		var devices []Device
		for i := range 5 {
			d := device(m, fmt.Sprintf("h%d", i), 1)
			d.Phase = 300 * time.Millisecond
			devices = append(devices, d)
		}
		p.Update(devices, periods)
		stop := start(t, p)
		time.Sleep(2*time.Minute + time.Second)
		stop()
		for _, d := range devices {
			for _, g := range fleet.Groups {
				frames := sink.of(d.ID, g)
				everyInstant(t, frames, periods.Of(g), d.Phase)
				if want := int(2*time.Minute/periods.Of(g)) + 1; len(frames) != want {
					t.Errorf("%s %s: %d frames in two minutes, want %d", d.ID, g, len(frames), want)
				}
				for _, f := range frames {
					if f.Outcome != fleet.Answered || f.Late != 0 {
						t.Errorf("%s %s at %v: %s, late %v", d.ID, g, f.At, f.Outcome, f.Late)
					}
				}
			}
			if got := len(n.openings(d.Host)); got != 1 {
				t.Errorf("%s: %d connections, want 1", d.Host, got)
			}
		}
	})
}

// Not all connections of a fleet are opened at the same instant, though all are open when the first poll is due.
func TestConnectionsAreOpenedApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, threeGroups), &fake{}
		p, sink := fakePoller(n, Config{})
		var devices []Device
		for i := range 50 {
			devices = append(devices, device(m, fmt.Sprintf("h%d", i), 1))
		}
		p.Update(devices, periods)
		stop := start(t, p)
		time.Sleep(3 * time.Second)
		stop()
		instants := make(map[time.Time]bool)
		for _, d := range devices {
			instants[n.openings(d.Host)[0]] = true
			if f := sink.of(d.ID, fleet.Fast)[0]; f.Late != 0 {
				t.Errorf("%s: first poll late by %v", d.ID, f.Late)
			}
		}
		if len(instants) < 45 {
			t.Errorf("50 connections opened at %d instants", len(instants))
		}
	})
}

func TestFastGroupGoesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		n := &fake{answer: slow(50 * time.Millisecond)}
		p, _ := fakePoller(n, Config{})
		p.Update([]Device{device(m, "gateway", 1), device(m, "gateway", 2)}, periods)
		stop := start(t, p)
		time.Sleep(61 * time.Second) // the bubble's clock starts at midnight: all groups fall due after a minute
		stop()
		var order []uint16
		for _, a := range n.asked {
			if !a.from.Before(time.Date(2000, 1, 1, 0, 1, 0, 0, time.UTC)) {
				order = append(order, a.start)
			}
		}
		if want := []uint16{10, 10, 20, 20, 30, 30}; !slices.Equal(order, want) {
			t.Errorf("asked for %v, want %v", order, want)
		}
	})
}

// slow answers after a while.
func slow(d time.Duration) func(string, uint8, uint16, uint16, time.Duration) ([]uint16, error) {
	return func(_ string, _ uint8, _, count uint16, _ time.Duration) ([]uint16, error) {
		time.Sleep(d)
		return make([]uint16, count), nil
	}
}

// A cycle that takes longer than its period must not pile up: every instant has its frame, the ones in between say
// that they were skipped, and no group is forgotten for the sake of faster ones.
func TestOverrunSkipsAndStarvesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		n := &fake{answer: slow(1700 * time.Millisecond)}
		var log bytes.Buffer
		p, sink := fakePoller(n, Config{Timeout: 5 * time.Second, Logger: slog.New(slog.NewTextHandler(&log, nil))})
		devices := []Device{device(m, "gateway", 1), device(m, "gateway", 2), device(m, "gateway", 3)}
		p.Update(devices, periods)
		stop := start(t, p)
		time.Sleep(10 * time.Minute)
		n.becomes(slow(10 * time.Millisecond))
		time.Sleep(time.Minute + time.Second)
		stop()
		for _, d := range devices {
			for _, g := range fleet.Groups {
				frames := sink.of(d.ID, g)
				everyInstant(t, frames, periods.Of(g), d.Phase)
				n := outcomes(frames)
				if n[fleet.Answered]+n[fleet.Skipped] != len(frames) {
					t.Errorf("%s %s: %v", d.ID, g, n)
				}
				if g == fleet.Fast && n[fleet.Skipped] == 0 {
					t.Errorf("%s: nothing skipped although three units take 5.1 s of every 2 s", d.ID)
				}
				if n[fleet.Answered] < 4 { // of ten instants of the slow group, at about three times the load that can be done
					t.Errorf("%s %s: answered %d times in ten minutes", d.ID, g, n[fleet.Answered])
				}
			}
		}
		for _, line := range []string{"instants are skipped", "keeps up again"} {
			if said := strings.Count(log.String(), line); said != len(devices) {
				t.Errorf("said %d times that %s, want once for each controller:\n%s", said, line, &log)
			}
		}
		for i := 1; i < len(n.asked); i++ {
			if n.asked[i].from.Before(n.asked[i-1].to) {
				t.Fatalf("two requests at once on one connection: %+v, %+v", n.asked[i-1], n.asked[i])
			}
		}
	})
}

// The device's pause lies between any two requests on its connection, whichever unit they are for.
func TestPauseBetweenRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups+"reads: {pause: 40ms}\n")
		n := &fake{answer: slow(10 * time.Millisecond)}
		p, _ := fakePoller(n, Config{})
		p.Update([]Device{device(m, "gateway", 1), device(m, "gateway", 2)}, periods)
		stop := start(t, p)
		time.Sleep(2*time.Minute + time.Second)
		stop()
		least := time.Hour
		for i := 1; i < len(n.asked); i++ {
			least = min(least, n.asked[i].from.Sub(n.asked[i-1].to))
		}
		if least != 40*time.Millisecond {
			t.Errorf("least pause %v, want 40ms", least)
		}
	})
}

// The end interrupts no request and starts no other one; what was read so far travels.
func TestEndInMidPoll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, `
format: 1
model: far apart
reads: {bridge: 0}
points:
  a: {at: holding 10, type: u16, poll: fast}
  b: {at: holding 20, type: u16, poll: fast}
`)
		n := &fake{answer: slow(600 * time.Millisecond)}
		p, sink := fakePoller(n, Config{})
		p.Update([]Device{device(m, "h", 1)}, periods)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- p.Run(ctx) }()
		time.Sleep(2300 * time.Millisecond)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		frames := sink.all()
		if len(n.asked) != 1 || len(frames) != 1 || frames[0].Outcome != fleet.Answered {
			t.Fatalf("%d requests, frames %+v", len(n.asked), frames)
		}
		if v := frames[0].Values; v[0].Quality != fleet.Good || v[1].Quality != fleet.Missing {
			t.Errorf("values %+v, want the first good and the second missing", v)
		}
		p.Wait()
		if n.stillOpen() != 0 {
			t.Errorf("a connection is left open")
		}
	})
}

// The clock of the machine is set, or the machine sleeps: polling goes on at the next instant, with no flood of
// frames for instants that nobody saw and no silence until the old time comes again.
func TestClockIsSet(t *testing.T) {
	m, now := mapOf(t, threeGroups), time.Date(2031, 4, 5, 6, 7, 9, 0, time.UTC)
	for _, c := range []struct {
		name string
		leap time.Duration
		keep bool
	}{
		{"an hour forward", time.Hour, false},
		{"an hour back", -time.Hour, false},
		{"five seconds back", -5 * time.Second, false},
		{"one second back", -time.Second, true},
		{"half a minute forward", 30 * time.Second, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			conn := newConn(New(Config{}, nil), address{})
			u := newUnit(device(m, "h", 1), fleet.Periods{Fast: 2 * time.Second}, now, nil)
			conn.slots = u.slots
			was := u.slots[0].next
			then := now.Add(c.leap)
			conn.regrid(then)
			next := u.slots[0].next
			if c.keep && next != was || !c.keep && next != gridAfter(then, 2*time.Second, 0) {
				t.Errorf("next poll at %v; it was %v, the clock says %v", next, was, then)
			}
		})
	}
}
