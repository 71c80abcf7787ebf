package store_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// small is a map of our own.
var small = fleet.NewLayout([]fleet.Point{
	{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
	{Name: "watts", Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16},
})

var noon = time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)

// reading returns a frame of the small map: volts in tenths, and watts.
func reading(id fleet.ControllerID, at time.Time, tenths, watts uint64) fleet.Frame {
	return fleet.Frame{
		Controller: id, At: at, Outcome: fleet.Answered, Layout: small,
		Late: 1500 * time.Microsecond, Took: 20 * time.Millisecond,
		Values: []fleet.Value{
			{Number: small.Points[0].Number(tenths), Raw: tenths, Quality: fleet.Good},
			{Number: small.Points[1].Number(watts), Raw: watts, Quality: fleet.Good},
		},
	}
}

func appendFrames(t testing.TB, s *store.Store, frames ...fleet.Frame) {
	t.Helper()
	if err := s.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
}

func allFrames(t testing.TB, s *store.Store, q store.Query) []fleet.Frame {
	t.Helper()
	var got []fleet.Frame
	for f, err := range s.Frames(context.Background(), q) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, f)
	}
	return got
}

var sameFrames = []cmp.Option{cmpopts.IgnoreUnexported(fleet.Layout{}), cmpopts.EquateEmpty()}

// A disordered, late and doubled batch: somebody who reads it back must get one frame for each instant, in order.
func TestFramesComeBackInOrder(t *testing.T) {
	s := storetest.Open(t)
	a, b := fleet.ControllerID("mill/north/alder"), fleet.ControllerID("mill/north/birch")
	at := func(seconds int) time.Time { return noon.Add(time.Duration(seconds) * time.Second) }
	fast := reading(a, at(10), 9, 9)
	fast.Group = fleet.Fast
	appendFrames(t, s, reading(b, at(10), 501, 1), reading(a, at(20), 502, 2), reading(a, at(10), 503, 3), fast)
	appendFrames(t, s, reading(a, at(0), 504, 4))                            // late
	appendFrames(t, s, reading(a, at(10), 999, 5), reading(b, at(20), 1, 6)) // the first is doubled: the earlier one stands
	want := []fleet.Frame{
		reading(a, at(0), 504, 4),
		reading(a, at(10), 503, 3), fast, reading(b, at(10), 501, 1),
		reading(a, at(20), 502, 2), reading(b, at(20), 1, 6),
	}
	if d := cmp.Diff(want, allFrames(t, s, store.Query{}), sameFrames...); d != "" {
		t.Errorf("Frames (-want +got):\n%s", d)
	}
}

func TestRanges(t *testing.T) {
	s := storetest.Open(t)
	var frames []fleet.Frame
	for i := range 10 {
		for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
			frames = append(frames, reading(id, noon.Add(time.Duration(i)*time.Second), uint64(i), 0))
		}
	}
	before1970 := reading("mill/north/alder", time.Unix(-5, -7), 3, 3)
	appendFrames(t, s, append(frames, before1970)...)
	second := func(i int) time.Time { return noon.Add(time.Duration(i) * time.Second) }
	for _, tt := range []struct {
		name string
		q    store.Query
		want int
	}{
		{"all", store.Query{}, 21},
		{"from is in", store.Query{From: second(3)}, 14},
		{"to is out", store.Query{From: second(3), To: second(5)}, 4},
		{"between the ticks", store.Query{From: second(3).Add(1), To: second(5).Add(1)}, 4},
		{"before 1970", store.Query{To: time.Unix(0, 0)}, 1},
		{"one controller", store.Query{Controllers: []fleet.ControllerID{"mill/north/birch"}}, 10},
		{"no controller", store.Query{Controllers: []fleet.ControllerID{}}, 0},
		{"unknown controller", store.Query{Controllers: []fleet.ControllerID{"mill/north/elm"}}, 0},
		{"empty", store.Query{From: second(3), To: second(3)}, 0},
		{"the wrong way round", store.Query{From: second(5), To: second(3)}, 0},
		{"from beyond every key", store.Query{From: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)}, 0},
		{"to beyond every key", store.Query{To: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)}, 21},
		{"from before every key", store.Query{From: time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC)}, 21},
		{"to before every key", store.Query{To: time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC)}, 0},
	} {
		if got := allFrames(t, s, tt.q); len(got) != tt.want {
			t.Errorf("%s: Frames(%v) gives %d frames, want %d", tt.name, tt.q, len(got), tt.want)
		}
	}
}

func TestSamples(t *testing.T) {
	s := storetest.Open(t)
	id := fleet.ControllerID("mill/north/alder")
	silent := fleet.Frame{Controller: id, At: noon.Add(10 * time.Second), Outcome: fleet.Silent, Took: time.Second}
	absent := reading(id, noon.Add(20*time.Second), 0xffff, 7)
	absent.Values[0] = fleet.Value{Raw: 0xffff, Quality: fleet.Absent}
	appendFrames(t, s, reading(id, noon, 501, 5), silent, absent, reading("mill/north/birch", noon, 1, 1))
	var got []store.Sample
	for sample, err := range s.Samples(t.Context(), id, "volts", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, sample)
	}
	want := []store.Sample{
		{At: noon, Value: fleet.Value{Number: 50.1, Raw: 501, Quality: fleet.Good}, Point: &small.Points[0]},
		{At: noon.Add(20 * time.Second), Value: fleet.Value{Raw: 0xffff, Quality: fleet.Absent}, Point: &small.Points[0]},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("Samples (-want +got):\n%s", d)
	}
	for sample, err := range s.Samples(t.Context(), id, "no such point", time.Time{}, time.Time{}) {
		t.Errorf("Samples of an unknown point gives %v, %v", sample, err)
	}
}

// The newest answered frame stays what the pages show, also after a restart and while the unit is silent.
func TestLatest(t *testing.T) {
	path := t.TempDir() + "/ringwarden.db"
	s := storetest.OpenPath(t, path)
	id := fleet.ControllerID("mill/north/alder")
	slow := reading(id, noon.Add(-time.Hour), 7, 7)
	slow.Group = fleet.Slow
	newest := reading(id, noon.Add(10*time.Second), 502, 2)
	appendFrames(t, s, slow, newest)
	appendFrames(t, s, reading(id, noon, 501, 1)) // late: not the latest
	doubled := reading(id, newest.At, 999, 9)
	appendFrames(t, s, doubled, fleet.Frame{Controller: id, At: noon.Add(20 * time.Second), Outcome: fleet.Unreachable})
	want := []fleet.Frame{newest, slow}
	check := func(s *store.Store) {
		t.Helper()
		got, err := s.Latest(t.Context(), id)
		if d := cmp.Diff(want, got, sameFrames...); d != "" || err != nil {
			t.Errorf("Latest (-want +got), %v:\n%s", err, d)
		}
		if len(got) > 0 {
			got[0].Values[0].Number = -1 // the caller's own copy
		}
	}
	check(s)
	check(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, path)
	check(s)
	if got, err := s.Latest(t.Context(), "mill/north/elm"); len(got) != 0 || err != nil {
		t.Errorf("Latest of an unknown controller = %v, %v", got, err)
	}
}

// A frame that makes no sense must not take the good ones of its batch half way into the file.
func TestInvalidFramesAreRefusedWhole(t *testing.T) {
	s := storetest.Open(t)
	good := reading("mill/north/alder", noon, 501, 1)
	for name, spoil := range map[string]func(f *fleet.Frame){
		"no controller":        func(f *fleet.Frame) { f.Controller = "" },
		"no layout":            func(f *fleet.Frame) { f.Layout = nil },
		"a layout without id":  func(f *fleet.Frame) { f.Layout = &fleet.Layout{Points: small.Points} },
		"too few values":       func(f *fleet.Frame) { f.Values = f.Values[:1] },
		"time out of range":    func(f *fleet.Frame) { f.At = time.Time{} },
		"unknown quality":      func(f *fleet.Frame) { f.Values[1].Quality = 9 },
		"an id without an end": func(f *fleet.Frame) { f.Controller = fleet.ControllerID(make([]byte, 5000)) },
	} {
		bad := *good.Clone()
		spoil(&bad)
		if err := s.Append(t.Context(), []fleet.Frame{good, bad}); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: Append = %v, want ErrInvalid", name, err)
		}
	}
	if got := allFrames(t, s, store.Query{}); len(got) != 0 {
		t.Errorf("%d frames were stored", len(got))
	}
}

func TestCancelledAndClosed(t *testing.T) {
	s := storetest.Open(t)
	frame := reading("mill/north/alder", noon, 501, 1)
	appendFrames(t, s, frame)
	ctx, cancel := context.WithCancelCause(t.Context())
	cause := errors.New("the daemon stops")
	cancel(cause)
	if err := s.Append(ctx, []fleet.Frame{frame}); !errors.Is(err, cause) {
		t.Errorf("Append, cancelled = %v", err)
	}
	for f, err := range s.Frames(ctx, store.Query{}) {
		if !errors.Is(err, cause) {
			t.Errorf("Frames, cancelled, gives %v, %v", f, err)
		}
	}
	if err := errors.Join(s.Close(), s.Close()); err != nil {
		t.Errorf("Close twice = %v", err)
	}
	_, latest := s.Latest(t.Context(), frame.Controller)
	_, standing := s.Standing(t.Context())
	_, stat := s.Stat()
	var frames error
	for _, frames = range s.Frames(t.Context(), store.Query{}) {
	}
	for name, err := range map[string]error{
		"Append":     s.Append(t.Context(), []fleet.Frame{frame}),
		"PutChanges": s.PutChanges(t.Context(), []fleet.Change{raised(noon, "link-down", "mill/north/alder>birch")}),
		"Latest":     latest, "Standing": standing, "Stat": stat, "Frames": frames,
	} {
		if !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s after Close = %v, want ErrClosed", name, err)
		}
	}
}

// Whoever stops reading need not wait for the rest of half a day, which for a large fleet takes minutes.
func TestReadingStopsInTheMiddle(t *testing.T) {
	s := storetest.Open(t)
	const all = 4000
	var batch []fleet.Frame
	for i := range all {
		batch = append(batch, reading("mill/north/alder", noon.Add(time.Duration(i)*time.Second), 501, uint64(i)))
	}
	appendFrames(t, s, batch...)
	for _, where := range []string{"journal", "chunks"} {
		ctx, cancel := context.WithCancel(t.Context())
		n, last := 0, error(nil)
		defer cancel()
		for _, last = range s.Frames(ctx, store.Query{}) {
			cancel()
			n++
		}
		if !errors.Is(last, context.Canceled) || n > all/2 {
			t.Errorf("%s: %d of %d frames came, then %v", where, n, all, last)
		}
		if err := s.Fold(t.Context(), noon.AddDate(1, 0, 0)); err != nil {
			t.Fatal(err)
		}
	}
}

func raised(at time.Time, kind fleet.Kind, subject fleet.Subject) fleet.Change {
	return fleet.Change{
		At: at, From: fleet.AlarmNormal,
		Alarm: fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: kind, Subject: subject}, State: fleet.Unacknowledged, Priority: fleet.High,
			Since: at.Add(-time.Minute), Raised: at,
			Text: "nothing arrives from alder at birch for 60 s", Advice: "look at both plugs first",
			Figures: []fleet.Figure{{Name: "silence", Value: 60, Unit: fleet.Second}},
		},
	}
}

// An alarm that stands when the daemon stops must stand when it starts again, and one that is over must not.
func TestChangesAndStanding(t *testing.T) {
	path := t.TempDir() + "/ringwarden.db"
	s := storetest.OpenPath(t, path)
	down := raised(noon, "link-down", "mill/north/alder>birch")
	silent := raised(noon.Add(time.Second), "controller-silent", "mill/north/cedar")
	over := raised(noon.Add(2*time.Second), "link-down", "mill/north/alder>birch")
	over.From, over.Alarm.State, over.Who, over.Why = fleet.Unacknowledged, fleet.AlarmNormal, "kim", "replugged"
	for _, c := range [][]fleet.Change{{down, silent}, {over}} {
		if err := s.PutChanges(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		var got []fleet.Change
		for c, err := range s.Changes(t.Context(), noon, noon.Add(time.Minute)) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, c)
		}
		if d := cmp.Diff([]fleet.Change{down, silent, over}, got); d != "" {
			t.Errorf("Changes (-want +got):\n%s", d)
		}
		standing, err := s.Standing(t.Context())
		if d := cmp.Diff([]fleet.Alarm{silent.Alarm}, standing); d != "" || err != nil {
			t.Errorf("Standing (-want +got), %v:\n%s", err, d)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = storetest.OpenPath(t, path)
	}
	bad := raised(noon, "", "mill")
	if err := s.PutChanges(t.Context(), []fleet.Change{down, bad}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("PutChanges without a kind = %v, want ErrInvalid", err)
	}
}

func TestStat(t *testing.T) {
	s := storetest.Open(t)
	empty, err := s.Stat()
	if err != nil || !empty.Oldest.IsZero() || empty.Format != store.Format || empty.Created.IsZero() {
		t.Errorf("Stat of an empty store = %+v, %v", empty, err)
	}
	for i := range 3 {
		appendFrames(t, s, reading("mill/north/alder", noon.Add(time.Duration(i)*time.Second), 1, 1))
	}
	st, err := s.Stat()
	if err != nil {
		t.Fatal(err)
	}
	got := fmt.Sprint(st.Frames, st.Readings, st.Commits, st.Damaged, st.Oldest.Equal(noon), st.Newest.Equal(noon.Add(2*time.Second)))
	if want := "3 6 3 0 true true"; got != want || st.Size == 0 || st.Committing <= 0 {
		t.Errorf("Stat = %s (%+v), want %s", got, st, want)
	}
}
