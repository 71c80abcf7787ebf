package main

import (
	"bytes"
	"context"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

var readings = fleet.NewLayout([]fleet.Point{
	{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 16},
	{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
})

var long = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func reading(c fleet.ControllerID, at time.Time, stage fleet.Stage, tenths uint64) fleet.Frame {
	return fleet.Frame{Controller: c, At: at, Outcome: fleet.Answered, Layout: readings, Values: []fleet.Value{
		{Raw: uint64(stage), Number: float64(stage), Quality: fleet.Good}, {Raw: tenths, Number: float64(tenths) / 10, Quality: fleet.Good},
	}}
}

// pairFleet is a ring of two controllers that are asked every minute, with a store of its own.
func pairFleet(t *testing.T) *fleet.Fleet {
	t.Helper()
	controller := func(slug string) fleet.Controller {
		return fleet.Controller{ID: fleet.ControllerID("mill/north/" + slug), Name: slug, Source: fleet.PV}
	}
	return &fleet.Fleet{
		Store: filepath.Join(t.TempDir(), "mill.db"), Periods: fleet.Periods{Fast: time.Minute, Normal: time.Minute, Slow: time.Minute},
		Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{{
			ID: "mill/north", Name: "North", Bank: fleet.Bank{Chemistry: fleet.FloodedLead, Nominal: 48, Cells: 24},
			Controllers: []fleet.Controller{controller("alder"), controller("birch")},
		}}}},
	}
}

// fill stores so many days of the pair, in which birch is silent for half an hour each day and the alarm of that was
// raised and went.
func fill(t *testing.T, f *fleet.Fleet, days int) *store.Store {
	t.Helper()
	s := storetest.OpenPath(t, f.Store)
	for day := range days {
		var frames []fleet.Frame
		start := long.AddDate(0, 0, day)
		for m := range 24 * 60 {
			at := start.Add(time.Duration(m) * time.Minute)
			birch := reading("mill/north/birch", at, fleet.Bulk, uint64(500+m%7))
			if m >= 600 && m < 630 {
				birch = fleet.Frame{Controller: birch.Controller, At: at, Outcome: fleet.Silent}
			}
			frames = append(frames, reading("mill/north/alder", at, fleet.Bulk, uint64(500+m%7)), birch)
		}
		if err := s.Append(t.Context(), frames); err != nil {
			t.Fatal(err)
		}
		silent := fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: "controller-silent", Subject: "mill/north/birch"}, State: fleet.Unacknowledged, Priority: fleet.Medium,
			Since: start.Add(10 * time.Hour), Raised: start.Add(10*time.Hour + 3*time.Minute), Text: "Mill: birch does not answer.",
		}
		gone := silent
		gone.State = fleet.AlarmNormal
		if err := s.PutChanges(t.Context(), []fleet.Change{
			{At: silent.Raised, Alarm: silent}, {At: silent.Raised.Add(30 * time.Minute), From: fleet.Acknowledged, Alarm: gone},
		}); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// watched notes the most memory that lives while frames pass, every so many of them.
func watched(frames iter.Seq2[fleet.Frame, error], every int, most *uint64) iter.Seq2[fleet.Frame, error] {
	return func(yield func(fleet.Frame, error) bool) {
		n := 0
		for f, err := range frames {
			if n++; n%every == 0 {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				*most = max(*most, m.HeapAlloc)
			}
			if !yield(f, err) {
				return
			}
		}
	}
}

// What a replay through the door holds in memory, and what the daemon holds for it, is the same for forty days as for
// twenty, by when all that the detectors look back over is full: a year must fit into a small box.
func TestReplayTakesNoMoreMemoryForLonger(t *testing.T) {
	const once, twice = 20, 40 // days; the frames of the second half of twice would be some 10 MiB
	f := pairFleet(t)
	yes := true
	f.Rules = fleet.Rules{{Kind: "no-full-charge", Disabled: &yes}} // it is never full
	s := fill(t, f, twice)
	l, err := door.Listen(f.Store)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		d := door.New(door.Options{Store: s, Path: f.Store, Rest: http.NotFoundHandler(), Logger: slog.New(slog.DiscardHandler)})
		if err := d.Run(ctx, l); err != nil {
			t.Errorf("Run() = %v", err)
		}
	}()
	defer func() { cancel(); <-done }()
	c := door.NewClient(f.Store, "kim")
	held := map[int]uint64{}
	for _, days := range []int{1, once, twice} {
		var out bytes.Buffer
		from, to := long, long.AddDate(0, 0, days)
		r := newReplay(f, replayOptions{from: from, to: to}, &out)
		most := uint64(0)
		frames := watched(c.Frames(t.Context(), store.Query{To: to}), days*24*60*2/8, &most)
		if err := r.run(frames, c.Changes(t.Context(), from, to)); err != nil {
			t.Fatal(err)
		}
		if r.both != days || r.only != [2]int{} || r.frames != uint64(days*24*60*2) {
			t.Fatalf("%d days: %d on both sides, %v on one, %d frames\n%s", days, r.both, r.only, r.frames, &out)
		}
		held[days] = most
	}
	t.Logf("%d KiB live for a day, %d KiB for %d, %d KiB for %d", held[1]>>10, held[once]>>10, once, held[twice]>>10, twice)
	if held[twice] > held[once]+4<<20 { // what is under way between the two comes and goes
		t.Errorf("%d KiB live for %d days and %d KiB for %d", held[once]>>10, once, held[twice]>>10, twice)
	}
}

// The newest minute of a daemon that runs is in its memory and not in its store: an alarm of that minute is no difference.
func TestReplayEndsWithTheLastReading(t *testing.T) {
	f := pairFleet(t)
	s := fill(t, f, 1)
	late := fleet.Change{At: long.Add(24 * time.Hour), Alarm: fleet.Alarm{AlarmKey: fleet.AlarmKey{Kind: "controller-silent", Subject: "mill/north/alder"}, State: fleet.Unacknowledged, Raised: long.Add(24 * time.Hour), Text: "late"}}
	if err := s.PutChanges(t.Context(), []fleet.Change{late}); err != nil {
		t.Fatal(err)
	}
	r, out := replayed(t, f, s, long, long.Add(25*time.Hour))
	if r.both != 1 || r.only != [2]int{} || !strings.Contains(out, "Not compared: 1 alarm that was raised then, after the newest reading that is stored.") {
		t.Errorf("%d on both sides, %v on one:\n%s", r.both, r.only, out)
	}
}

// What was stored of odd values, and of a controller that has left the fleet file, is counted in the summary and raises
// nothing.
func TestReplayCountsWhatItDoesNotBelieve(t *testing.T) {
	f := pairFleet(t)
	s := storetest.OpenPath(t, f.Store)
	var frames []fleet.Frame
	for m := range 180 {
		at := long.Add(time.Duration(m) * time.Minute)
		alder, birch := reading("mill/north/alder", at, fleet.Bulk, 500), reading("mill/north/birch", at, fleet.Bulk, 500)
		switch m % 20 {
		case 3:
			alder.Values[1] = fleet.Value{Number: math.NaN(), Quality: fleet.Undefined}
		case 9:
			birch.Values[0] = fleet.Value{Raw: 99, Quality: fleet.Undefined}
		case 13:
			birch.Values[1] = fleet.Value{Raw: 65535, Number: 6553.5, Quality: fleet.Implausible}
		case 17:
			frames = append(frames, reading("mill/north/gone", at, fleet.Float, 500))
		}
		frames = append(frames, alder, birch)
	}
	if err := s.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	a := &app{out: &out, err: &errs}
	if err := a.replay(t.Context(), f, replayOptions{from: long, to: long.Add(4 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"0 raised now and then, 0 only now, 0 only then; 738 readings in 369 frames.",
		"Not believed: 9 frames of controllers that are not in the fleet file, 18 values that the map cannot name, 9 implausible values.",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, &out)
		}
	}
}
