package store_test

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A box is a machine whose clock somebody else moves.
type box struct {
	t    *testing.T
	path string
	boot string
	wall time.Time
	up   time.Duration
	n    uint64 // frames so far
}

func (b *box) open() *store.Store {
	b.t.Helper()
	s, err := store.Open(b.path, store.Options{Boot: store.Boot{ID: b.boot, Now: func() (time.Time, time.Duration) { return b.wall, b.up }}})
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

func (b *box) pass(d time.Duration) { b.wall, b.up = b.wall.Add(d), b.up+d }

// read polls one controller every ten minutes.
func (b *box) read(s *store.Store, polls int) {
	b.t.Helper()
	var frames []fleet.Frame
	for range polls {
		b.pass(10 * time.Minute)
		frames = append(frames, reading("mill/north/alder", b.wall, 480, b.n))
		b.n++
	}
	appendFrames(b.t, s, frames...)
}

func (b *box) close(s *store.Store) {
	b.t.Helper()
	if err := s.Close(); err != nil {
		b.t.Fatal(err)
	}
	storetest.Check(b.t, b.path)
}

// steps returns those of the clock that are stored.
func steps(t *testing.T, s *store.Store) (all []store.ClockStep) {
	t.Helper()
	for step, err := range s.ClockSteps(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, step)
	}
	return all
}

// lie wants the numbered frames ten minutes apart, the first at an instant, all of them corrected or none.
func lie(t *testing.T, s *store.Store, first time.Time, from, to uint64, corrected bool) {
	t.Helper()
	at := map[uint64]fleet.Frame{}
	for _, f := range allFrames(t, s, store.Query{}) {
		at[f.Values[1].Raw] = f
	}
	for n := from; n < to; n++ {
		f, ok := at[n]
		want := first.Add(time.Duration(n-from) * 10 * time.Minute)
		if d := f.At.Sub(want); !ok || d < 0 || d > time.Millisecond || f.Restamped != corrected {
			t.Fatalf("frame %d lies at %v, marked %v, there %v; want %v, marked %v", n, f.At, f.Restamped, ok, want, corrected)
		}
	}
}

// A box without a clock of its own is switched on; the program is started three times before the time is known, folds what it
// read, joins it, and the clock is set while no program runs: the frames of all three move, folded or not, are marked, and
// move once more when the clock is set again. What was read before the machine was switched on stays.
func TestProgramsOfOneBoot(t *testing.T) {
	b := &box{t: t, path: filepath.Join(t.TempDir(), "ringwarden.db"), boot: "one", wall: noon, up: time.Hour}
	s := b.open()
	b.read(s, 6)
	b.close(s)

	b.boot, b.wall, b.up = "two", time.Unix(60, 0).UTC(), time.Minute
	for run := range 3 {
		s = b.open()
		if got := steps(t, s); len(got) > 0 {
			t.Errorf("Open saw %+v, which was none", got)
		}
		b.read(s, 30)
		if run < 2 {
			if err := s.Fold(t.Context(), b.wall.Add(-50*time.Minute)); err != nil {
				t.Fatal(err)
			}
		}
		b.close(s)
	}
	s = b.open()
	if err := s.FoldDue(t.Context(), b.wall.Add(12*time.Hour)); err != nil { // joins the chunks of the first two
		t.Fatal(err)
	}
	b.close(s)

	truth := noon.Add(24 * time.Hour)
	step := truth.Sub(b.wall)
	b.wall = truth
	s = b.open()
	if got := steps(t, s); len(got) != 1 || got[0].Moved != 90 || !got[0].After.Equal(truth) || got[0].After.Sub(got[0].Before) != step {
		t.Errorf("Open saw %+v", got)
	}
	first := time.Unix(60, 0).UTC().Add(10*time.Minute + step)
	lie(t, s, noon.Add(10*time.Minute), 0, 6, false)
	lie(t, s, first, 6, 96, true)
	b.close(s)

	b.wall = b.wall.Add(-3 * time.Hour)
	s = b.open()
	lie(t, s, noon.Add(10*time.Minute), 0, 6, false)
	lie(t, s, first.Add(-3*time.Hour), 6, 96, true)
	b.close(s)
}

// A clock that was switched off three hours ago goes on where it was, as a small box without a battery begins: once it is
// set, the machine has been running for less than the leap, so it did not sleep, and what was read lies three hours later.
// One that leaps ahead by less than that may have been right before, unless it went over what was read before.
func TestAClockThatGoesOnWhereItWas(t *testing.T) {
	for name, test := range map[string]struct {
		up    time.Duration
		again bool
		moved int
	}{
		"just started":               {time.Minute, false, 3},
		"running for a day":          {24 * time.Hour, false, 0},
		"over what was there before": {24 * time.Hour, true, 3},
	} {
		t.Run(name, func(t *testing.T) {
			b := &box{t: t, path: filepath.Join(t.TempDir(), "ringwarden.db"), boot: "none", wall: noon, up: time.Hour}
			if test.again {
				s := b.open()
				b.n = 3
				b.read(s, 3)
				b.close(s)
			}
			b.boot, b.wall, b.up, b.n = "one", noon, test.up, 0
			s := b.open()
			b.read(s, 3)
			b.close(s)
			b.wall = b.wall.Add(3 * time.Hour)
			s = b.open()
			if got := steps(t, s); len(got) != 1 || got[0].Moved != test.moved {
				t.Errorf("Open saw %+v; want %d moved", got, test.moved)
			}
			if test.moved > 0 {
				lie(t, s, noon.Add(3*time.Hour+10*time.Minute), 0, 3, true)
			} else {
				lie(t, s, noon.Add(10*time.Minute), 0, 3, false)
			}
			b.close(s)
		})
	}
}

// A program that does not know the boot appends, or an older one steps the clock and knows nothing of the record in the head:
// what there is of this boot is of no known clock any more, and the next program begins a run of its own.
func TestAProgramThatKnowsNoBoot(t *testing.T) {
	for name, other := range map[string]func(b *box, s *store.Store){
		"appends": func(b *box, s *store.Store) { b.read(s, 3) },
		"steps": func(b *box, s *store.Store) {
			entry := store.Entry{At: b.wall, Body: []byte("as an older program wrote it")}
			if err := s.PutEntries(b.t.Context(), store.BookClock, []store.Entry{entry}); err != nil {
				b.t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := &box{t: t, path: filepath.Join(t.TempDir(), "ringwarden.db"), boot: "one", wall: noon, up: time.Hour}
			s := b.open()
			b.read(s, 3)
			b.close(s)
			s = storetest.OpenPath(t, b.path)
			other(b, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			b.wall = b.wall.Add(-time.Hour)
			s = b.open()
			if got := steps(t, s); len(got) > 0 {
				t.Errorf("Open saw %+v", got)
			}
			lie(t, s, noon.Add(10*time.Minute), 0, b.n, false)
			b.close(s)
		})
	}
}

// A clock that was a year ahead is set right in the second program of a boot: what was read moves back, and what comes lies
// exactly where it was read, since nothing is left there that it could hide behind.
func TestAfterAClockThatWasAhead(t *testing.T) {
	b := &box{t: t, path: filepath.Join(t.TempDir(), "ringwarden.db"), boot: "one", wall: noon.AddDate(1, 0, 0), up: time.Minute}
	s := b.open()
	b.read(s, 3)
	b.close(s)
	s = b.open()
	b.wall = noon.Add(30 * time.Minute)
	before, after, _ := s.ClockStepped()
	if n, err := s.StepClock(t.Context(), before, after); n != 3 || err != nil {
		t.Fatalf("StepClock() = %d, %v", n, err)
	}
	b.read(s, 3)
	lie(t, s, noon.Add(10*time.Minute), 0, 3, true)
	for _, f := range allFrames(t, s, store.Query{})[3:] {
		if f.At.Nanosecond() != 0 || f.Restamped {
			t.Errorf("a frame that was read by the right clock lies at %v, marked %v", f.At, f.Restamped)
		}
	}
	b.close(s)
}

// A system of which no name of its start is known may draw its clock to the right time, little by little: that is no step. One
// that jumps is, either way, until it is told.
func TestAClockThatIsDrawn(t *testing.T) {
	b := &box{t: t, path: filepath.Join(t.TempDir(), "ringwarden.db"), wall: noon}
	s := b.open()
	for range 10 {
		b.pass(time.Second)
		b.wall = b.wall.Add(500 * time.Millisecond)
		if _, _, stepped := s.ClockStepped(); stepped {
			t.Fatal("a clock that is drawn to the right time was taken for one that is stepped")
		}
	}
	for _, by := range []time.Duration{3 * time.Second, -time.Hour} {
		want := b.wall
		b.wall = b.wall.Add(by)
		before, after, stepped := s.ClockStepped()
		if !stepped || !before.Equal(want) || !after.Equal(b.wall) {
			t.Errorf("ClockStepped() = %v, %v, %v; want %v and %v", before, after, stepped, want, b.wall)
		}
		if _, err := s.StepClock(t.Context(), before, after); err != nil {
			t.Fatal(err)
		}
		if _, _, again := s.ClockStepped(); again {
			t.Error("ClockStepped() says so once more")
		}
	}
	b.close(s)
}

// Linux says which start of the machine it is; the clock that counts from it is ahead of nothing and does not stand.
func TestThisBoot(t *testing.T) {
	b := store.ThisBoot()
	wall, up := b.Now()
	if time.Since(wall).Abs() > time.Minute || up < 0 {
		t.Errorf("Now() = %v, %v", wall, up)
	}
	if runtime.GOOS != "linux" {
		if b.ID != "" {
			t.Errorf("ID = %q", b.ID)
		}
		return
	}
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id") // random(4)
	if err != nil || !strings.HasPrefix(b.ID, strings.TrimSpace(string(id))) {
		t.Errorf("ID = %q, want it to begin with %q, %v", b.ID, id, err)
	}
}
