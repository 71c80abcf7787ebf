package store_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// Whoever reads while a fold is at work sees every frame once, wherever it is just then.
func TestReadersWhileFolding(t *testing.T) {
	s := storetest.Open(t)
	const ticks = 2 * 8640
	var batch []fleet.Frame
	for i := range ticks {
		at := noon.Add(time.Duration(i) * 10 * time.Second)
		batch = append(batch, reading("mill/north/alder", at, uint64(480+i%40), uint64(i)), reading("mill/north/birch", at, 500, 7))
	}
	appendFrames(t, s, batch...)
	ctx, cancel := context.WithCancel(t.Context())
	var readers sync.WaitGroup
	for _, q := range []store.Query{{}, {Controllers: []fleet.ControllerID{"mill/north/alder"}}} {
		readers.Go(func() {
			for ctx.Err() == nil {
				n, want := 0, ticks*2
				if q.Controllers != nil {
					want = ticks
				}
				for f, err := range s.Frames(t.Context(), q) {
					if err != nil {
						t.Error(err)
						return
					}
					if f.Controller == "mill/north/alder" && f.Values[1].Raw != uint64(f.At.Sub(noon)/(10*time.Second)) {
						t.Errorf("%v at %v", f.Values, f.At)
					}
					n++
				}
				if n != want {
					t.Errorf("%d frames, want %d", n, want)
					return
				}
			}
		})
	}
	readers.Go(func() {
		for ctx.Err() == nil {
			n := 0
			for v, err := range s.Samples(t.Context(), "mill/north/alder", "watts", time.Time{}, time.Time{}) {
				if err != nil || v.Raw != uint64(n) {
					t.Errorf("sample %d: %+v, %v", n, v, err)
					return
				}
				n++
			}
			if n != ticks {
				t.Errorf("%d samples, want %d", n, ticks)
				return
			}
		}
	})
	for h := range 50 {
		if err := s.Fold(t.Context(), noon.Add(time.Duration(h)*time.Hour)); err != nil {
			t.Error(err)
		}
	}
	cancel()
	readers.Wait()
}

// A restart after everything was folded must still know how the plant was last.
func TestLatestAfterAFold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s := storetest.OpenPath(t, path)
	last := reading("mill/north/alder", noon.Add(time.Minute), 512, 640)
	silent := fleet.Frame{Controller: "mill/north/alder", At: noon.Add(time.Hour), Outcome: fleet.Silent}
	appendFrames(t, s, reading("mill/north/alder", noon, 480, 1), last, silent)
	if err := s.Fold(t.Context(), noon.Add(13*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, path)
	got, err := s.Latest(t.Context(), "mill/north/alder")
	if d := cmp.Diff([]fleet.Frame{last}, got, sameFrames...); d != "" || err != nil {
		t.Errorf("Latest (-want +got), %v:\n%s", err, d)
	}
	if st, err := s.Stat(); err != nil || !st.Oldest.Equal(noon) || !st.Newest.Equal(silent.At) {
		t.Errorf("Stat() = %+v, %v", st, err)
	}
}

// A frame that comes days late is stored in its place, and the rollups of its day are made anew.
func TestALateFrameChangesItsDay(t *testing.T) {
	s := storetest.Open(t)
	appendFrames(t, s, reading("mill/north/alder", noon, 480, 100), reading("mill/north/alder", noon.Add(20*time.Second), 480, 100))
	fold := func(days int) {
		if err := s.Fold(t.Context(), noon.AddDate(0, 0, days)); err != nil {
			t.Fatal(err)
		}
	}
	fold(3)
	late := reading("mill/north/alder", noon.Add(10*time.Second), 480, 400)
	for range 2 { // the second one is the same frame again, and changes nothing
		appendFrames(t, s, late)
		if got := rolled(t, s, "mill/north/alder", "watts", store.Day); len(got) != 1 || got[0].Max != 100 && got[0].Max != 400 {
			t.Errorf("before the fold: %+v", got)
		}
		fold(4)
		got := rolled(t, s, "mill/north/alder", "watts", store.Day)
		if len(got) != 1 || got[0].Max != 400 || got[0].Count != 3 || got[0].Total != 5000 {
			t.Errorf("after the fold: %+v, want three samples and 5 kJ", got)
		}
	}
	if got := allFrames(t, s, store.Query{}); len(got) != 3 {
		t.Errorf("%d frames, want 3", len(got))
	}
}

// Rollups are what the raw samples say, to the last bit, folded or not, whatever came when: here they are made anew
// from a plain list, bucket by bucket.
func TestRollupsAreWhatTheSamplesSay(t *testing.T) {
	zones := []*time.Location{time.UTC, load(t, "Europe/Dublin"), load(t, "Australia/Lord_Howe"), load(t, "America/St_Johns")}
	folder, runs := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		runs++
		zone := rapid.SampledFrom(zones).Draw(rt, "zone")
		s, err := store.Open(filepath.Join(folder, fmt.Sprint(runs, ".db")), store.Options{
			Zone: func(fleet.ControllerID) *time.Location { return zone },
		})
		if err != nil {
			rt.Fatal(err)
		}
		defer s.Close()
		start := rapid.SampledFrom([]time.Time{
			noon, time.Date(2026, 10, 24, 20, 0, 0, 0, time.UTC), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC),
		}).Draw(rt, "start")
		step := time.Duration(rapid.IntRange(1, 900).Draw(rt, "step")) * time.Second
		var frames []fleet.Frame
		at := start
		for i := range rapid.IntRange(1, 60).Draw(rt, "frames") {
			at = at.Add(step * time.Duration(rapid.SampledFrom([]int{1, 1, 1, 1, 2, 3, 4, 50}).Draw(rt, "gap")))
			f := reading("mill/north/alder", at, uint64(rapid.IntRange(400, 600).Draw(rt, "tenths")), uint64(rapid.IntRange(0, 5000).Draw(rt, "watts")))
			f.Layout, f.Values = rolling, append(f.Values, rolledValues(rt, i)...)
			frames = append(frames, f)
		}
		cut := rapid.IntRange(0, len(frames)).Draw(rt, "cut")
		for _, part := range [][]fleet.Frame{frames[cut:], frames[:cut]} {
			if err := s.Append(context.Background(), part); err != nil {
				rt.Fatal(err)
			}
			fold := start.Add(time.Duration(rapid.IntRange(0, 80).Draw(rt, "fold")) * time.Hour)
			if err := s.Fold(context.Background(), fold); err != nil {
				rt.Fatal(err)
			}
		}
		want := wantedRollups(frames, zone)
		checkRollups(rt, s, want)
		// Folded, and long over; then some of the raw frames go, and then all: nobody who asks for rollups sees that.
		after := reading("mill/north/birch", at.AddDate(0, 0, 60), 480, 0)
		if err := s.Append(context.Background(), []fleet.Frame{after}); err != nil {
			rt.Fatal(err)
		}
		if err := s.Fold(context.Background(), after.At); err != nil {
			rt.Fatal(err)
		}
		some := start.Add(time.Duration(rapid.IntRange(-24, 80).Draw(rt, "some")) * time.Hour)
		for _, before := range []time.Time{some, after.At} {
			if _, err := s.DropBefore(context.Background(), store.KindRaw, before); err != nil {
				rt.Fatal(err)
			}
			checkRollups(rt, s, want)
		}
		for f, err := range s.Frames(context.Background(), store.Query{To: after.At}) {
			rt.Fatalf("%v, %v is left", f, err)
		}
	})
}

// A curve is a point in a resolution.
type curve struct {
	point string
	store.Resolution
}

// wantedRollups returns what the frames say of every point in every resolution.
func wantedRollups(frames []fleet.Frame, zone *time.Location) map[curve][]store.Rollup {
	want := make(map[curve][]store.Rollup)
	for i := range rolling.Points {
		for _, r := range []store.Resolution{store.FiveMinutes, store.Hour, store.Day} {
			want[curve{rolling.Points[i].Name, r}] = plainRollups(frames, i, r, zone)
		}
	}
	return want
}

func checkRollups(rt *rapid.T, s *store.Store, want map[curve][]store.Rollup) {
	for c, want := range want {
		var got []store.Rollup
		for o, err := range s.Rollups(context.Background(), "mill/north/alder", c.point, c.Resolution, time.Time{}, time.Time{}) {
			if err != nil {
				rt.Fatal(err)
			}
			got = append(got, o)
		}
		if d := cmp.Diff(want, got, bits); d != "" {
			rt.Fatalf("%s %v (-want +got):\n%s", c.point, c.Resolution, d)
		}
	}
}

func load(t *testing.T, zone string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// rolling has a point of each kind that rolls up in its own way.
var rolling = fleet.NewLayout(append(append([]fleet.Point(nil), small.Points...),
	fleet.Point{
		Name: "charge_stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 8,
		Names: []fleet.Name{{Code: 0, Word: "off"}, {Code: 3, Word: "bulk"}, {Code: 5, Word: "float"}},
	},
	fleet.Point{Name: "counted", Mul: 100, Div: 1, Bits: 16, Counter: true, Unit: fleet.Joule},
	fleet.Point{Name: "fine", Form: fleet.FormFloat64, Mul: 1, Div: 1, Bits: 64},
))

func rolledValues(t *rapid.T, i int) []fleet.Value {
	stage := uint64(rapid.SampledFrom([]int{0, 3, 5}).Draw(t, "stage"))
	number, _ := fleet.ParseStage(rolling.Points[2].Word(stage))
	count := uint64(65000+i*97) % 65536
	if rapid.IntRange(0, 20).Draw(t, "restarted") == 0 {
		count = uint64(i)
	}
	fine := rapid.Float64().Draw(t, "fine")
	quality := fleet.Good
	if rapid.IntRange(0, 9).Draw(t, "bad") == 0 {
		quality = fleet.Implausible
	}
	return []fleet.Value{
		{Raw: stage, Number: float64(number), Quality: fleet.Good},
		{Raw: count, Number: float64(count) * 100, Quality: fleet.Good},
		{Raw: math.Float64bits(fine), Number: fine, Quality: quality},
	}
}
