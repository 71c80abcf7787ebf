package store_test

import (
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A box that begins in 1970, hears the time after a while, and is corrected once more: its readings lie where they
// belong, marked, and those of the run before are untouched.
func TestAClockThatIsSetLate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s := storetest.OpenPath(t, path)
	old := reading("mill/north/alder", noon, 480, 1)
	appendFrames(t, s, old)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, path)
	boot := time.Unix(100, 0).UTC()
	var want []fleet.Frame
	for i := range 5 {
		f := reading("mill/north/alder", boot.Add(time.Duration(i)*10*time.Second), 490, uint64(i))
		appendFrames(t, s, f)
		f.At, f.Restamped = noon.Add(time.Hour+time.Duration(i)*10*time.Second), true
		want = append(want, f)
	}
	step := func(from, to time.Time, moved int) {
		t.Helper()
		if n, err := s.StepClock(t.Context(), from, to); n != moved || err != nil {
			t.Fatalf("StepClock(%v, %v) = %d, %v; want %d", from, to, n, err, moved)
		}
	}
	// It is first told a time that is a day late, then the right one.
	step(boot.Add(time.Minute), noon.Add(25*time.Hour+time.Minute), 5)
	step(noon.Add(25*time.Hour+2*time.Minute), noon.Add(time.Hour+2*time.Minute), 5)
	if d := cmp.Diff(append([]fleet.Frame{old}, want...), allFrames(t, s, store.Query{}), sameFrames...); d != "" {
		t.Errorf("frames (-want +got):\n%s", d)
	}
	latest, err := s.Latest(t.Context(), "mill/north/alder")
	if d := cmp.Diff(want[4:], latest, sameFrames...); d != "" || err != nil {
		t.Errorf("Latest (-want +got), %v:\n%s", err, d)
	}
	var steps []store.ClockStep
	for c, err := range s.ClockSteps(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		steps = append(steps, c)
	}
	if len(steps) != 2 || steps[0].Moved != 5 || !steps[1].Before.Equal(boot.Add(time.Minute)) {
		t.Errorf("ClockSteps() = %+v", steps)
	}
	// A clock that leaps ahead from a time that may have been right moves nothing.
	step(noon.Add(2*time.Hour), noon.Add(3*time.Hour), 0)
	if err := s.Fold(t.Context(), noon.Add(72*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(append([]fleet.Frame{old}, want...), allFrames(t, s, store.Query{}), sameFrames...); d != "" {
		t.Errorf("frames after a fold (-want +got):\n%s", d)
	}
}

// Two runs whose clocks overlap: the second one's readings hide behind the first one's until the clock is set, and are
// all there after it.
func TestBootsThatOverlap(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	for run := range 2 {
		s := storetest.OpenPath(t, path)
		for i := range 6 {
			appendFrames(t, s, reading("mill/north/alder", noon.Add(time.Duration(i)*10*time.Second), 480, uint64(10*run+i)))
		}
		if run == 1 {
			if n, err := s.StepClock(t.Context(), noon.Add(time.Minute), noon.Add(time.Hour)); n != 6 || err != nil {
				t.Fatalf("StepClock = %d, %v", n, err)
			}
			got := allFrames(t, s, store.Query{})
			if len(got) != 12 || got[5].Restamped || !got[6].Restamped || got[6].Values[1].Raw != 10 || !got[6].At.Equal(noon.Add(59*time.Minute)) {
				t.Errorf("%d frames: %+v", len(got), got)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A clock that is drawn back by no more than it may have drifted since the start was not wrong all the while: what is folded
// stays, what is not moves along, and neither hides the other though they come to lie over each other.
func TestAClockThatDrifted(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(path, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		var frames []fleet.Frame
		for i := range 24 * 360 {
			frames = append(frames, reading("mill/north/alder", noon.Add(time.Duration(i)*10*time.Second), 490, uint64(i)))
		}
		appendFrames(t, s, frames...)
		if err := s.Fold(t.Context(), noon.Add(12*time.Hour)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(24 * time.Hour) // by the bubble's clock
		now := noon.Add(24 * time.Hour)
		if n, err := s.StepClock(t.Context(), now, now.Add(-30*time.Second)); n != 12*360 || err != nil {
			t.Fatalf("StepClock = %d, %v; want the journal's 12 hours to move", n, err)
		}
		met := make([]bool, len(frames))
		for _, f := range allFrames(t, s, store.Query{}) {
			n := f.Values[1].Raw
			want := frames[n].At
			if n >= 12*360 {
				want = want.Add(-30 * time.Second)
			}
			if d := f.At.Sub(want); met[n] || d < 0 || d > time.Microsecond || f.Restamped != (n >= 12*360) {
				t.Fatalf("frame %d lies at %v, marked %v, again %v; want %v", n, f.At, f.Restamped, met[n], want)
			}
			met[n] = true
		}
		if n := slices.Index(met, false); n >= 0 {
			t.Errorf("frame %d is lost", n)
		}
	})
}
