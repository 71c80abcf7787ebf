package road_test

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A weakDisk is a store whose disk's calls can be made to fail.
type weakDisk struct {
	t     *testing.T
	store *store.Store
	calls []uint32 // that fail; nil: none
	errno syscall.Errno
}

func (d *weakDisk) do(f func() error) (err error) {
	if d.calls == nil {
		return f()
	}
	storetest.Failing(d.t, d.calls, d.errno, func() { err = f() })
	return err
}

func (d *weakDisk) Append(ctx context.Context, frames []fleet.Frame) error {
	return d.do(func() error { return d.store.Append(ctx, frames) })
}

func (d *weakDisk) PutChanges(ctx context.Context, changes []fleet.Change) error {
	return d.do(func() error { return d.store.PutChanges(ctx, changes) })
}

var volts = fleet.NewLayout([]fleet.Point{{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16}})

func voltage(at time.Time) *fleet.Frame {
	return &fleet.Frame{
		Controller: "mill/north/alder", At: at, Outcome: fleet.Answered, Layout: volts,
		Values: []fleet.Value{{Raw: 501, Number: 50.1, Quality: fleet.Good}},
	}
}

func stored(t *testing.T, s *store.Store) (frames int, kinds string) {
	t.Helper()
	last := time.Time{}
	for f, err := range s.Frames(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if !f.At.After(last) {
			t.Fatalf("the frame of %v comes after that of %v", f.At, last)
		}
		last = f.At
		frames++
	}
	for c, err := range s.Changes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		kinds += string(c.Alarm.Kind) + " " + c.Alarm.State.String() + "; "
	}
	return frames, kinds
}

const raisedAndGone = "store-behind unacknowledged; store-behind returned-unacknowledged; "

// A disk whose syncs fail, that is full, or that turned read-only for a while: polling, judging and the pages go on, the
// alarm says why, and afterwards every frame of that time is on the disk, with the alarm's two steps.
func TestADiskThatFailsForAWhile(t *testing.T) {
	for name, tt := range map[string]struct {
		calls []uint32
		errno syscall.Errno
		why   string
	}{
		"sync fails": {storetest.Syncs, syscall.EIO, "input/output error"},
		"full":       {storetest.Writes, syscall.ENOSPC, "no space left on device; nothing stored is lost; free some space on that disk"},
		"read-only":  {storetest.Writes, syscall.EROFS, "read-only file system; mount it for writing"},
	} {
		t.Run(name, func(t *testing.T) {
			d := &weakDisk{t: t, store: storetest.Open(t), errno: tt.errno}
			var log bytes.Buffer
			r := road.New(d, alerts.New(oneController()), 2*time.Second, slog.New(slog.NewTextHandler(&log, nil)))
			const ticks = 60
			for s := range ticks {
				d.calls = nil
				if s >= 10 && s < 40 {
					d.calls = tt.calls
				}
				at := noon.Add(time.Duration(s) * time.Second)
				r.Put(voltage(at))
				r.Tick(t.Context(), at)
				if s == 30 {
					if got := standing(r); got != "store-behind on ringwarden:store unacknowledged; " || !strings.Contains(r.Alarms()[0].Text, tt.why) {
						t.Errorf("while it fails %q stands: %v", got, r.Alarms())
					}
				}
			}
			r.Close(t.Context(), noon.Add(ticks*time.Second))
			frames, changes := stored(t, d.store)
			if waiting, dropped := r.Backlog(); frames != ticks || waiting != 0 || dropped != 0 || changes != raisedAndGone {
				t.Errorf("%d frames stored, %d wait, %d dropped, changes %q; want %d, 0, 0, %q", frames, waiting, dropped, changes, ticks, raisedAndGone)
			}
			if n := strings.Count(log.String(), "msg=\"the store is behind"); n != 1 {
				t.Errorf("said %d times that the store is behind:\n%s", n, &log)
			}
		})
	}
}

// A disk that fills up under the daemon, and that somebody makes room on.
func TestADiskThatFillsUp(t *testing.T) {
	storetest.SmallDisk(t, "1024", func(folder string) {
		ballast := filepath.Join(folder, "ballast")
		if err := os.WriteFile(ballast, make([]byte, 600<<10), 0o600); err != nil {
			t.Fatal(err)
		}
		s := storetest.OpenPath(t, filepath.Join(folder, "r.db"))
		r := road.New(s, alerts.New(oneController()), 10*time.Second, slog.New(slog.DiscardHandler))
		ticks, failed := 0, 0
		for ; failed < 600 && ticks < 1_000_000; ticks++ {
			at := noon.Add(time.Duration(ticks) * time.Second)
			f := voltage(at)
			for i := range 40 { // of controllers that nobody watches, to fill the disk
				f.Controller = fleet.ControllerID("weir/low/unit-" + string(rune('a'+i)))
				f.Values[0].Raw = uint64(ticks*7919+i*104729) & 0xffff
				f.Values[0].Number = volts.Points[0].Number(f.Values[0].Raw)
				r.Put(f)
			}
			r.Tick(t.Context(), at)
			if r.Ready() != nil {
				failed++
			}
		}
		waiting, _ := r.Backlog()
		if got := standing(r); !strings.Contains(got, "store-behind on ringwarden:store unacknowledged") || waiting < 20_000 {
			t.Fatalf("after %d ticks, %d of them on a full disk: %q stands, %d frames wait", ticks, failed, got, waiting)
		}
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		r.Tick(t.Context(), noon.Add(time.Duration(ticks)*time.Second+10*time.Second))
		r.Close(t.Context(), noon.Add(time.Duration(ticks)*time.Second+11*time.Second))
		n := 0
		for _, err := range s.Frames(t.Context(), store.Query{}) {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		if waiting, dropped := r.Backlog(); n != 40*ticks || waiting != 0 || dropped != 0 {
			t.Errorf("%d of %d frames are stored, %d wait, %d dropped", n, 40*ticks, waiting, dropped)
		}
		t.Logf("%d frames, %d ticks on a full disk", n, failed)
	})
}
