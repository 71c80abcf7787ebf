package poller

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/fleet"
)

// A reload must not hang up on controllers that it does not concern, nor shake their grid.
func TestUpdateKeepsUntouchedConnections(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, threeGroups), &fake{}
		p, sink := fakePoller(n, Config{})
		stays, goes, comes := device(m, "stays", 1), device(m, "goes", 1), device(m, "comes", 1)
		unit2 := device(m, "stays", 2)
		p.Update([]Device{stays, goes}, periods)
		stop := start(t, p)
		time.Sleep(21 * time.Second)
		p.Update([]Device{comes, unit2, stays}, periods)
		synctest.Wait()
		if open := n.stillOpen(); open != 1 {
			t.Errorf("%d connections right after the reload, want the one that stays", open)
		}
		time.Sleep(20 * time.Second)
		p.Update(nil, periods)
		synctest.Wait()
		if open := n.stillOpen(); open != 0 {
			t.Errorf("%d connections with no devices", open)
		}
		time.Sleep(20 * time.Second)
		stop()
		for _, c := range []struct {
			d      Device
			frames int
		}{{stays, 20}, {goes, 10}, {comes, 10}, {unit2, 10}} {
			frames := sink.of(c.d.ID, fleet.Fast)
			everyInstant(t, frames, periods.Fast, 0)
			if len(frames) != c.frames || outcomes(frames)[fleet.Answered] != c.frames {
				t.Errorf("%s: %v, want %d answered", c.d.ID, outcomes(frames), c.frames)
			}
			if opens := len(n.openings(c.d.Host)); opens != 1 {
				t.Errorf("%s was opened %d times", c.d.Host, opens)
			}
		}
	})
}

// A controller that gets another address is polled there from the next instant on, and no longer at the old one.
func TestControllerMoves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := mapOf(t, threeGroups)
		n := &fake{answer: slow(300 * time.Millisecond)}
		p, sink := fakePoller(n, Config{})
		d := device(m, "old", 1)
		neighbour := device(m, "old", 2)
		p.Update([]Device{d, neighbour}, periods)
		stop := start(t, p)
		time.Sleep(10*time.Second + 100*time.Millisecond) // in the middle of a poll
		moved := d
		moved.Host = "new"
		p.Update([]Device{moved, neighbour}, periods)
		time.Sleep(10 * time.Second)
		stop()
		for _, id := range []fleet.ControllerID{d.ID, neighbour.ID} {
			frames := sink.of(id, fleet.Fast)
			everyInstant(t, frames, periods.Fast, 0)
			if n := outcomes(frames); n[fleet.Answered] != 10 {
				t.Errorf("%s: %v, want 10 answered", id, n)
			}
		}
		for _, a := range n.requests("old", 1) {
			if a.from.After(time.Date(2000, 1, 1, 0, 0, 11, 0, time.UTC)) {
				t.Errorf("asked at the old address at %v", a.from)
			}
		}
	})
}

// Other periods: each group goes over to its new grid, and never has two frames for one instant.
func TestPeriodsChange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, n := mapOf(t, threeGroups), &fake{}
		p, sink := fakePoller(n, Config{Periods: fleet.Periods{Slow: 30 * time.Second}})
		d := device(m, "h", 1)
		p.Update([]Device{d}, fleet.Periods{Fast: 10 * time.Second})
		stop := start(t, p)
		time.Sleep(21 * time.Second)
		p.Update([]Device{d}, fleet.Periods{Fast: 4 * time.Second})
		time.Sleep(20 * time.Second)
		stop()
		var at []int
		for _, f := range sink.of(d.ID, fleet.Fast) {
			at = append(at, int(f.At.Sub(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)).Seconds()))
		}
		if want := []int{10, 20, 24, 28, 32, 36, 40}; !slices.Equal(at, want) {
			t.Errorf("fast polls at seconds %v, want %v", at, want)
		}
		if slow, normal := sink.of(d.ID, fleet.Slow), sink.of(d.ID, fleet.Normal); len(slow) != 1 || len(normal) != 0 {
			t.Errorf("%d slow frames, want 1 (period of the configuration); %d normal ones, want 0 (no period)", len(slow), len(normal))
		}
		if opens := len(n.openings("h")); opens != 1 {
			t.Errorf("%d connections, want 1", opens)
		}
	})
}
