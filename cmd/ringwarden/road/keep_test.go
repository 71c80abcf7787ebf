package road_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A frame that no store can take must not keep the others from the disk for ever.
func TestAFrameThatCannotBeStoredIsDroppedAlone(t *testing.T) {
	s := storetest.Open(t)
	var log bytes.Buffer
	r := road.New(s, &judge{}, time.Second, slog.New(slog.NewTextHandler(&log, nil)))
	const put, bad = 100, 37
	for i := range put {
		f := fleet.Frame{Controller: "mill/north/alder", At: noon.Add(time.Duration(i) * time.Second), Outcome: fleet.Silent}
		if i == bad {
			f.Controller = ""
		}
		r.Put(&f)
	}
	r.Close(t.Context(), noon.Add(time.Hour))
	n := 0
	for f, err := range s.Frames(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if f.At.Equal(noon.Add(bad * time.Second)) {
			t.Errorf("the bad frame was stored: %v", f)
		}
		n++
	}
	if waiting, dropped := r.Backlog(); n != put-1 || waiting != 0 || dropped != 1 {
		t.Errorf("%d stored, %d wait, %d dropped; want %d, 0, 1", n, waiting, dropped, put-1)
	}
	if err := r.Ready(); err != nil {
		t.Errorf("Ready() = %v; one bad frame is no failing store", err)
	}
	if got := strings.Count(log.String(), "a frame was dropped, since it can never be stored"); got != 1 {
		t.Errorf("said %d times that a frame was dropped, want once:\n%s", got, &log)
	}
}

// The same for an alarm's change; what comes after it must be stored, and in order.
func TestAChangeThatCannotBeStoredIsDroppedAlone(t *testing.T) {
	s := storetest.Open(t)
	var log bytes.Buffer
	r := road.New(s, &judge{}, time.Second, slog.New(slog.NewTextHandler(&log, nil)))
	for _, id := range []fleet.ControllerID{"m/n/a", fleet.ControllerID(strings.Repeat("x", 2000)), "m/n/b"} {
		r.Put(&fleet.Frame{Controller: id, At: noon, Outcome: fleet.Unreachable})
	}
	r.Tick(t.Context(), noon)
	var subjects []fleet.Subject
	for c, err := range s.Changes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		subjects = append(subjects, c.Alarm.Subject)
	}
	if got := fmt.Sprint(subjects); got != "[m/n/a m/n/b]" {
		t.Errorf("stored changes of %s, want of m/n/a and m/n/b:\n%s", got, &log)
	}
}

func oneController() *fleet.Fleet {
	return &fleet.Fleet{Periods: fleet.DefaultPeriods, Sites: []fleet.Site{{
		ID: "mill", Name: "Mill", Zone: time.UTC,
		Rings: []fleet.Ring{{ID: "mill/north", Controllers: []fleet.Controller{{ID: "mill/north/alder", Name: "Alder"}}}},
	}}}
}

func standing(r *road.Road) string {
	var b strings.Builder
	for _, a := range r.Alarms() {
		fmt.Fprintf(&b, "%s on %s %s; ", a.Kind, a.Subject, a.State)
	}
	return b.String()
}

// A full disk raises store-behind in the engine, whose life is that of any other alarm; a reload does not lose it, and
// it returns by itself once the disk takes readings again. Its steps are then on the disk, with their own instants.
func TestStoreBehindIsAnAlarm(t *testing.T) {
	d := disk{broken: errors.New("no space left on device")}
	engine := alerts.New(oneController())
	r := road.New(&d, engine, time.Second, slog.New(slog.DiscardHandler))
	tick := func(second int) {
		at := noon.Add(time.Duration(second) * time.Second)
		r.Put(frame(at))
		r.Tick(t.Context(), at)
	}
	for s := range 5 {
		tick(s)
	}
	if got := standing(r); got != "store-behind on ringwarden:store unacknowledged; " {
		t.Fatalf("with a broken disk %q stands", got)
	}
	if text := r.Alarms()[0].Text; !strings.Contains(text, "no space left on device") {
		t.Errorf("its text does not say why: %s", text)
	}
	r.Judging(func() { engine.Update(oneController()) })
	tick(5)
	if got := standing(r); got != "store-behind on ringwarden:store unacknowledged; " {
		t.Errorf("after a reload %q stands", got)
	}
	d.broken = nil
	for s := 6; s < 10; s++ {
		tick(s)
	}
	if got := standing(r); got != "store-behind on ringwarden:store returned-unacknowledged; " {
		t.Errorf("after the disk recovered %q stands", got)
	}
	r.Close(t.Context(), noon.Add(10*time.Second))
	if len(d.changes) != 2 || d.changes[0].Alarm.Kind != alerts.StoreBehind || !d.changes[0].At.Before(noon.Add(5*time.Second)) {
		t.Errorf("changes on disk: %v, want the raising before 12:00:05 and the return", d.changes)
	}
}

// A sliver of space takes an alarm and no frames: the store is behind until it takes both.
func TestBehindUntilBothAreTaken(t *testing.T) {
	d := framesOnly{broken: errors.New("no space left on device")}
	var log bytes.Buffer
	r := road.New(&d, &judge{}, time.Second, slog.New(slog.NewTextHandler(&log, nil)))
	for s := range 10 {
		at := noon.Add(time.Duration(s) * time.Second)
		r.Put(&fleet.Frame{Controller: "mill/north/birch", At: at, Outcome: fleet.Unreachable})
		r.Tick(t.Context(), at)
	}
	if got := strings.Count(log.String(), "msg=\"the store is behind"); got != 1 || strings.Contains(log.String(), "caught up") {
		t.Errorf("said %d times that it is behind:\n%s", got, &log)
	}
}

// framesOnly is a journal that fails for frames alone.
type framesOnly struct{ broken error }

func (d *framesOnly) Append(context.Context, []fleet.Frame) error      { return d.broken }
func (d *framesOnly) PutChanges(context.Context, []fleet.Change) error { return nil }

// A frame of many readings costs as much memory as many frames: the bound is on both.
func TestMemoryIsBoundedByReadings(t *testing.T) {
	d := disk{broken: errors.New("no space left on device")}
	r, _ := newRoad(&d, time.Hour)
	values := make([]fleet.Value, 500)
	const put = 5000 // 2.5 million readings
	for i := range put {
		r.Put(&fleet.Frame{Controller: "mill/north/alder", At: noon.Add(time.Duration(i) * time.Second), Outcome: fleet.Answered, Values: values})
	}
	waiting, dropped := r.Backlog()
	if waiting*len(values) > 1<<20 || waiting*len(values) < 1<<19 || waiting+int(dropped) != put {
		t.Errorf("%d frames of %d readings wait, %d were dropped of %d", waiting, len(values), dropped, put)
	}
	r.Flush(t.Context()) // fails, and must count what it puts back
	for i := range put {
		r.Put(&fleet.Frame{Controller: "mill/north/alder", At: noon.Add(time.Duration(put+i) * time.Second), Outcome: fleet.Answered, Values: values})
	}
	if waiting, dropped = r.Backlog(); waiting*len(values) > 1<<20 || waiting+int(dropped) != 2*put {
		t.Errorf("after a failed commit %d wait and %d were dropped of %d", waiting, dropped, 2*put)
	}
}
