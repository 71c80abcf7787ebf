package road_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
)

var noon = time.Date(2031, 6, 1, 12, 0, 0, 0, time.UTC)

// A disk is a journal that can be told to fail.
type disk struct {
	broken  error
	frames  []fleet.Frame
	changes []fleet.Change
	commits int
}

func (d *disk) Append(_ context.Context, frames []fleet.Frame) error {
	if d.broken != nil {
		return d.broken
	}
	d.commits++
	d.frames = append(d.frames, frames...)
	return nil
}

func (d *disk) PutChanges(_ context.Context, changes []fleet.Change) error {
	if d.broken != nil {
		return d.broken
	}
	d.changes = append(d.changes, changes...)
	return nil
}

// A judge raises one alarm for every frame of an unreachable controller.
type judge struct {
	mu     sync.Mutex
	silent []fleet.ControllerID
	eager  bool
}

func (j *judge) Put(f *fleet.Frame) {
	if !j.mu.TryLock() {
		panic("two goroutines in the judge at once")
	}
	defer j.mu.Unlock()
	if f.Outcome == fleet.Unreachable {
		j.silent = append(j.silent, f.Controller)
	}
}

func (j *judge) Advance(now time.Time) []fleet.Change {
	var changes []fleet.Change
	for _, id := range j.silent {
		key := fleet.AlarmKey{Kind: "controller-silent", Subject: fleet.Subject(id)}
		changes = append(changes, fleet.Change{At: now, Alarm: fleet.Alarm{AlarmKey: key, State: fleet.Unacknowledged, Text: string(id) + " is silent"}})
	}
	j.silent = nil
	return changes
}

func (j *judge) Alarms() []fleet.Alarm { return nil }

func (j *judge) Looks(time.Time) []alerts.Look { return nil }

func (j *judge) Eager() bool { return j.eager }

func (j *judge) Report(fleet.Kind, bool, string) {}

func (j *judge) StepClock(time.Time, time.Time, bool) {}

// A frame that may decide something lets the road ask for a tick at once, once for any number of frames.
func TestEagerJudgeIsHeard(t *testing.T) {
	j := &judge{}
	r := road.New(&disk{}, j, time.Hour, slog.New(slog.NewTextHandler(io.Discard, nil)))
	heard := func() bool {
		select {
		case <-r.Eager():
			return true
		default:
			return false
		}
	}
	r.Put(&fleet.Frame{Controller: "mill/north/alder", At: noon})
	if heard() {
		t.Error("a tick is asked for though nothing can be decided")
	}
	j.eager = true
	for i := range 3 {
		r.Put(&fleet.Frame{Controller: "mill/north/alder", At: noon.Add(time.Duration(i+1) * time.Second)})
	}
	if !heard() || heard() {
		t.Error("three frames that may decide something do not ask for one tick")
	}
}

func newRoad(d *disk, commit time.Duration) (*road.Road, *bytes.Buffer) {
	var log bytes.Buffer
	return road.New(d, &judge{}, commit, slog.New(slog.NewTextHandler(&log, nil))), &log
}

func frame(at time.Time) *fleet.Frame {
	return &fleet.Frame{Controller: "mill/north/alder", At: at, Outcome: fleet.Answered, Values: []fleet.Value{{Number: 1, Quality: fleet.Good}}}
}

// An SD card lives by how seldom it is written: readings wait for the commit interval, alarms do not.
func TestReadingsWaitForTheCommitAndAlarmsDoNot(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Minute)
	for s := range 125 {
		at := noon.Add(time.Duration(s) * time.Second)
		r.Put(frame(at))
		if s == 10 {
			r.Put(&fleet.Frame{Controller: "mill/north/birch", At: at, Outcome: fleet.Unreachable})
		}
		r.Tick(t.Context(), at)
		if s == 10 && len(d.changes) != 1 {
			t.Errorf("after the tick that raised it, %d changes are on disk, want 1", len(d.changes))
		}
	}
	if d.commits != 2 {
		t.Errorf("%d commits in 124 s at one a minute, want 2", d.commits)
	}
	r.Close(t.Context(), noon.Add(125*time.Second))
	if len(d.frames) != 126 {
		t.Errorf("%d frames on disk after Close, want all 126", len(d.frames))
	}
}

// Whoever puts a frame uses its buffer again at once.
func TestFramesAreCopied(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Minute)
	f := frame(noon)
	r.Put(f)
	f.Values[0].Number = 99
	r.Close(t.Context(), noon)
	if got := d.frames[0].Values[0].Number; got != 1 {
		t.Errorf("stored %v, want the 1 that was put", got)
	}
}

// A full disk must not stop the watch, and what it could not take must be there when it can again.
func TestAFailingDiskLosesNothingThatFits(t *testing.T) {
	d := disk{broken: errors.New("no space left on device")}
	r, log := newRoad(&d, time.Second)
	for s := range 60 {
		at := noon.Add(time.Duration(s) * time.Second)
		r.Put(frame(at))
		if s == 5 {
			r.Put(&fleet.Frame{Controller: "mill/north/birch", At: at, Outcome: fleet.Unreachable})
		}
		r.Tick(t.Context(), at)
	}
	if err := r.Ready(); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("Ready() = %v, want why the store is behind", err)
	}
	d.broken = nil
	r.Close(t.Context(), noon.Add(time.Minute))
	if len(d.frames) != 61 || len(d.changes) != 1 {
		t.Errorf("%d frames and %d changes on disk, want 61 and 1", len(d.frames), len(d.changes))
	}
	for i := 1; i < len(d.frames); i++ {
		if d.frames[i].At.Before(d.frames[i-1].At) {
			t.Fatalf("frame %d is out of order", i)
		}
	}
	if got := strings.Count(log.String(), "the store is behind"); got != 1 {
		t.Errorf("said %d times that the store is behind, want once:\n%s", got, log)
	}
	if !strings.Contains(log.String(), "the store has caught up") {
		t.Errorf("did not say that the store has caught up:\n%s", log)
	}
}

// Memory is bounded: a disk that stays broken costs the oldest readings, and they are counted.
func TestABrokenDiskDropsTheOldestFirst(t *testing.T) {
	d := disk{broken: errors.New("read-only file system")}
	r, _ := newRoad(&d, time.Hour)
	const put = 140_000 // more than may wait
	for i := range put {
		r.Put(frame(noon.Add(time.Duration(i) * time.Millisecond)))
	}
	waiting, dropped := r.Backlog()
	if dropped == 0 || waiting+int(dropped) != put {
		t.Fatalf("%d wait and %d were dropped of %d", waiting, dropped, put)
	}
	d.broken = nil
	r.Close(t.Context(), noon.Add(time.Hour))
	if first := d.frames[0].At; !first.Equal(noon.Add(time.Duration(dropped) * time.Millisecond)) {
		t.Errorf("the first frame kept is of %v, want the one after the %d dropped", first, dropped)
	}
}

// A large fleet commits when enough frames wait, so that a minute of 2,000 controllers does not sit in memory.
func TestManyFramesCommitEarly(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Hour)
	r.Tick(t.Context(), noon)
	for range 5000 {
		r.Put(frame(noon))
	}
	r.Tick(t.Context(), noon.Add(time.Second))
	if d.commits != 1 {
		t.Errorf("%d commits after 5,000 frames, want 1", d.commits)
	}
}

// A clock that is set back must not keep readings in memory until it has caught up.
func TestAClockThatIsSetBackStillCommits(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Minute)
	r.Tick(t.Context(), noon)
	r.Put(frame(noon))
	r.Tick(t.Context(), noon.Add(-time.Hour))
	if d.commits != 1 {
		t.Errorf("%d commits after the clock was set back, want 1", d.commits)
	}
}

func TestManyGoroutinesPut(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Minute)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for i := range 500 {
				r.Put(frame(noon.Add(time.Duration(i))))
			}
		})
	}
	wg.Wait()
	r.Close(t.Context(), noon)
	if len(d.frames) != 4000 || r.Carried() != 4000 {
		t.Errorf("%d frames on disk, %d carried, want 4000", len(d.frames), r.Carried())
	}
}
