package poller

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"

	"ringwarden/fleet"
)

// timedOut is how the library ends a request that got no answer: after the whole time-out.
func timedOut(timeout time.Duration) ([]uint16, error) {
	time.Sleep(timeout)
	return nil, modbus.ErrRequestTimedOut
}

// One unit behind a gateway is dead. Its neighbours keep their time, but for the few polls that find out.
func TestDeadUnitDoesNotStallItsNeighbours(t *testing.T) {
	for name, dead := range map[string]func(time.Duration) ([]uint16, error){
		"silent":          timedOut,
		"gateway says so": func(time.Duration) ([]uint16, error) { return nil, modbus.ErrGWTargetFailedToRespond },
		"gateway is slowly": func(d time.Duration) ([]uint16, error) {
			time.Sleep(d * 9 / 10)
			return nil, modbus.ErrGWPathUnavailable
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { deadUnit(t, dead, name != "silent") })
		})
	}
}

func deadUnit(t *testing.T, dead func(time.Duration) ([]uint16, error), gatewayTells bool) {
	m := mapOf(t, threeGroups)
	back := time.Date(2000, 1, 1, 0, 30, 0, 0, time.UTC)
	n := &fake{answer: func(_ string, unit uint8, _, count uint16, timeout time.Duration) ([]uint16, error) {
		if unit == 2 && time.Now().Before(back) {
			return dead(timeout)
		}
		time.Sleep(20 * time.Millisecond)
		return make([]uint16, count), nil
	}}
	var log bytes.Buffer
	p, sink := fakePoller(n, Config{
		Backoff: Backoff{Min: 2 * time.Second, Max: time.Minute}, Logger: slog.New(slog.NewTextHandler(&log, nil)),
	})
	devices := []Device{device(m, "gateway", 2), device(m, "gateway", 1), device(m, "gateway", 3)}
	p.Update(devices, periods)
	stop := start(t, p)
	time.Sleep(35*time.Minute + time.Second)
	stop()
	for _, d := range devices {
		frames := sink.of(d.ID, fleet.Fast)
		everyInstant(t, frames, periods.Fast, d.Phase)
		if want := int(35*time.Minute/periods.Fast) - 1; len(frames) < want {
			t.Errorf("%s: %d fast frames in 35 minutes, want %d", d.ID, len(frames), want)
		}
		n, late := outcomes(frames), 0
		for _, f := range frames {
			if f.Late > 250*time.Millisecond && f.Outcome == fleet.Answered {
				late++
			}
		}
		if d.Unit != 2 && (n[fleet.Answered] != len(frames) || late > 3) {
			t.Errorf("%s, a neighbour: %v, %d of them late", d.ID, n, late)
		}
	}
	frames := sink.of(devices[0].ID, fleet.Fast)
	if n := outcomes(frames); n[fleet.Silent]+n[fleet.Answered] != len(frames) || n[fleet.Silent] < 890 {
		t.Errorf("the dead unit: %v", n)
	}
	if last := frames[len(frames)-1]; last.Outcome != fleet.Answered {
		t.Errorf("the unit is back, and its last frame says %s", last.Outcome)
	}
	tries, short := 0, 0
	for _, a := range n.requests("gateway", 2) {
		if a.from.Before(back) {
			tries++
			if a.timeout < time.Second {
				short++
			}
		}
	}
	if tries < 30 || tries > 60 { // 30 minutes, a try every 30 to 60 s and the beginning
		t.Errorf("the dead unit was tried %d times in half an hour", tries)
	}
	if short < tries/2 || short >= tries*9/10 {
		t.Errorf("%d of %d tries were short; want most, not all", short, tries)
	}
	// One line when it dies and one when it is back, not one for each try.
	if said := strings.Count(log.String(), "controller does not answer"); said != 1 {
		t.Errorf("said %d times that it does not answer:\n%s", said, &log)
	}
	if said := strings.Count(log.String(), "controller answers again"); said != 1 {
		t.Errorf("said %d times that it is back:\n%s", said, &log)
	}
	if opens := len(n.openings("gateway")); gatewayTells && opens > 3*tries {
		t.Errorf("%d connections for %d tries", opens, tries)
	}
}

// Three groups fall due at one instant and the first one gets no answer: the others are not tried for nothing, which
// would cost three time-outs instead of one.
func TestSilentUnitIsTriedOnceAnInstant(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		minute := time.Date(2000, 1, 1, 0, 1, 0, 0, time.UTC)
		n := &fake{answer: func(_ string, _ uint8, _, count uint16, timeout time.Duration) ([]uint16, error) {
			if !time.Now().Before(minute) {
				return timedOut(timeout)
			}
			return make([]uint16, count), nil
		}}
		p, sink := fakePoller(n, Config{})
		d := device(m, "h", 1)
		p.Update([]Device{d}, periods)
		stop := start(t, p)
		time.Sleep(61500 * time.Millisecond)
		stop()
		for _, g := range fleet.Groups {
			frames := sink.of(d.ID, g)
			if len(frames) == 0 {
				t.Fatalf("%s: no frame", g)
			}
			if last := frames[len(frames)-1]; !last.At.Equal(minute) || last.Outcome != fleet.Silent {
				t.Errorf("%s: %s at %v", g, last.Outcome, last.At)
			}
		}
		tries := 0
		for _, a := range n.requests("h", 1) {
			if !a.from.Before(minute) {
				tries++
			}
		}
		if tries != 1 {
			t.Errorf("%d tries, want 1", tries)
		}
	})
}

// A whole site is away: every instant has its frame, in time, and the site is tried more and more rarely, not by all
// at the same moment.
func TestConnectionBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		n := &fake{dial: func(string) error { return errors.New("connection refused") }}
		p, sink := fakePoller(n, Config{})
		var devices []Device
		for i := range 20 {
			devices = append(devices, device(m, fmt.Sprintf("h%d", i), 1))
		}
		p.Update(devices, periods)
		stop := start(t, p)
		time.Sleep(time.Hour + time.Second)
		stop()
		late := make(map[time.Time]int)
		for _, d := range devices {
			frames := sink.of(d.ID, fleet.Fast)
			everyInstant(t, frames, periods.Fast, 0)
			if n := outcomes(frames); n[fleet.Unreachable] != len(frames) || len(frames) < 1800 {
				t.Errorf("%s: %v", d.ID, n)
			}
			for _, f := range frames {
				if f.Late > 0 {
					t.Errorf("%s at %v: late by %v though nothing was waited for", d.ID, f.At, f.Late)
				}
			}
			tries := n.openings(d.Host)
			if len(tries) < 60 || len(tries) > 130 { // every 30 to 60 s after the beginning
				t.Errorf("%s: %d attempts in an hour", d.ID, len(tries))
			}
			for _, at := range tries[5:] {
				late[at]++
			}
		}
		for at, n := range late {
			if n > 2 {
				t.Errorf("%d attempts at %v", n, at)
			}
		}
	})
}

// Connecting into nowhere lasts 5 s, whatever the time-out. It must delay neither the frames nor the end.
func TestBlackHole(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		n := &fake{dial: func(string) error { time.Sleep(5 * time.Second); return nil }}
		p, sink := fakePoller(n, Config{})
		p.Update([]Device{device(m, "nowhere", 1)}, periods)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- p.Run(ctx) }()
		time.Sleep(4500 * time.Millisecond)
		frames := sink.of("mill/north/nowhere-1", fleet.Fast)
		if n := outcomes(frames); len(frames) != 2 || n[fleet.Unreachable] != 2 {
			t.Errorf("frames within 4.5 s: %v", n)
		}
		for i, f := range frames {
			// The first one waited for the connection, for Timeout; the next one did not again.
			if want := []time.Duration{time.Second, 0}[i]; f.Late+f.Took != want {
				t.Errorf("frame %d was done after %v, want %v", i, f.Late+f.Took, want)
			}
		}
		cancel()
		from := time.Now()
		if err := <-ended; err != nil || time.Since(from) > time.Second {
			t.Errorf("Run ended after %v: %v", time.Since(from), err)
		}
		p.Wait()
		synctest.Wait()
		if took := time.Since(from); took > 5*time.Second {
			t.Errorf("Wait ended after %v", took)
		}
		if n.stillOpen() != 0 {
			t.Errorf("the connection that came too late was left open")
		}
	})
}

// A device that drops idle connections: the poll gets its reading all the same, by one more try on a new one.
func TestDroppedConnectionIsTriedAgainAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, used := mapOf(t, threeGroups), 0
		n := &fake{answer: func(_ string, _ uint8, _, count uint16, _ time.Duration) ([]uint16, error) {
			if used++; used%2 == 0 { // every connection is good for one answer
				return nil, io.EOF
			}
			return make([]uint16, count), nil
		}}
		p, sink := fakePoller(n, Config{})
		p.Update([]Device{device(m, "h", 1)}, periods)
		stop := start(t, p)
		time.Sleep(61 * time.Second)
		stop()
		frames := sink.all()
		if n := outcomes(frames); n[fleet.Answered] != len(frames) || len(frames) < 30 {
			t.Errorf("outcomes %v", n)
		}
		if n.stillOpen() != 0 {
			t.Errorf("%d connections left open", n.stillOpen())
		}
	})
}

// Exceptions 5 and 6 mean: again later.
func TestBusyDeviceIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, asked := mapOf(t, threeGroups), 0
		n := &fake{answer: func(_ string, _ uint8, _, count uint16, _ time.Duration) ([]uint16, error) {
			asked++
			switch {
			case asked > 200:
				return nil, modbus.ErrAcknowledge
			case asked%2 == 1:
				return nil, modbus.ErrServerDeviceBusy
			}
			return make([]uint16, count), nil
		}}
		p, sink := fakePoller(n, Config{})
		d := device(m, "h", 1)
		p.Update([]Device{d}, fleet.Periods{Fast: 2 * time.Second})
		stop := start(t, p)
		time.Sleep(301 * time.Second)
		stop()
		frames := sink.of(d.ID, fleet.Fast)
		everyInstant(t, frames, periods.Fast, 0)
		for i, f := range frames {
			want := fleet.Answered
			if i >= 100 {
				want = fleet.Refused
			}
			if f.Outcome != want || f.Took != againAfter {
				t.Fatalf("frame %d: %s after %v, want %s after %v", i, f.Outcome, f.Took, want, againAfter)
			}
		}
		if got := len(n.openings("h")); got != 1 {
			t.Errorf("%d connections, want 1", got)
		}
	})
}
