package store_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// noisy returns frames of one instant whose values do not pack: they fill a file fast.
func noisy(r *rand.Rand, at time.Time, controllers int) []fleet.Frame {
	frames := make([]fleet.Frame, controllers)
	for i := range frames {
		frames[i] = reading(fleet.ControllerID(fmt.Sprintf("mill/north/unit-%d", i)), at, r.Uint64()>>20, r.Uint64()>>20)
	}
	return frames
}

// Raw readings go once they are older than the limit; what is younger, alarms and notes stay.
func TestRetainByAge(t *testing.T) {
	s := storetest.Open(t)
	for day := range 10 {
		appendFrames(t, s, reading("mill/north/alder", noon.AddDate(0, 0, day), uint64(day), 1))
	}
	if err := s.PutNote(t.Context(), fleet.Note{At: noon.AddDate(-9, 0, 0), Text: "long ago"}); err != nil {
		t.Fatal(err)
	}
	now := noon.AddDate(0, 0, 9).Add(time.Hour)
	records := 0
	for range 12 {
		d, err := s.Retain(t.Context(), now, store.Limits{Raw: 3 * 24 * time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		records += d.Records
	}
	left := allFrames(t, s, store.Query{})
	if len(left) != 3 || !left[0].At.Equal(noon.AddDate(0, 0, 7)) || records != 7 {
		t.Errorf("%d frames are left from %v, %d records dropped; want 3 from day 7 on, 7", len(left), left[0].At, records)
	}
	if got := notes(t, s, time.Time{}, time.Time{}); len(got) != 1 {
		t.Errorf("%d notes are left, want 1", len(got))
	}
	commits := func() uint64 {
		st, err := s.Stat()
		if err != nil {
			t.Fatal(err)
		}
		return st.Commits
	}
	before := commits()
	if _, err := s.Retain(t.Context(), now, store.Limits{Raw: 3 * 24 * time.Hour}); err != nil || commits() != before {
		t.Errorf("Retain() = %v with %d commits, want none where there is nothing to drop", err, commits()-before)
	}
}

// A clock that is years ahead for a while must not cost the history.
func TestRetainUnderAWrongClock(t *testing.T) {
	s := storetest.Open(t)
	var frames []fleet.Frame
	for hour := range 60 * 24 {
		frames = append(frames, reading("mill/north/alder", noon.Add(time.Duration(hour)*time.Hour), 1, 1))
	}
	appendFrames(t, s, frames...)
	if _, err := s.Retain(t.Context(), noon.AddDate(70, 0, 0), store.Limits{Raw: 90 * 24 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	if left := allFrames(t, s, store.Query{}); len(left) != 59*24 {
		t.Errorf("%d hours are left of %d after one call under a wrong clock, want all but a day's", len(left), 60*24)
	}
}

// The file stays below its ceiling for as long as one writes, the oldest goes first, and the newest is there.
func TestRetainUnderACeiling(t *testing.T) {
	for _, ceiling := range []int64{2 << 20, 5 << 20, 33 << 20} {
		t.Run(fmt.Sprintf("%dMiB", ceiling>>20), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "c.db")
			s := storetest.OpenPath(t, path)
			r := rand.New(rand.NewPCG(1, 2))
			at, dropped := noon, 0
			written := int64(0)
			for written < min(ceiling/4*3, 10<<20) { // by the registers alone: in the file it is more than may stay
				var frames []fleet.Frame
				for range 400 {
					at = at.Add(10 * time.Second)
					frames = append(frames, noisy(r, at, 10)...)
				}
				written += int64(len(frames)) * 24
				appendFrames(t, s, frames[:len(frames)/2]...)
				appendFrames(t, s, frames[len(frames)/2:]...)
				d, err := s.Retain(t.Context(), at, store.Limits{Ceiling: ceiling})
				if err != nil || d.Over > 0 {
					t.Fatalf("Retain() = %+v, %v", d, err)
				}
				dropped += d.Records
			}
			info, err := os.Stat(path)
			if err != nil || info.Size() > ceiling || info.Size() < ceiling/4 {
				t.Errorf("the file has %d bytes, %v; the ceiling is %d", info.Size(), err, ceiling)
			}
			st, err := s.Stat()
			if err != nil || !st.Newest.Equal(at) || !st.Oldest.After(noon.Add(10*time.Second)) || dropped == 0 {
				t.Errorf("from %v to %v, %d records dropped, %v; want the newest %v", st.Oldest, st.Newest, dropped, err, at)
			}
			t.Logf("%d MiB written, %.1f MiB in the file, %v of readings left", written>>20, float64(info.Size())/(1<<20), st.Newest.Sub(st.Oldest))
		})
	}
}

// A ceiling below what is there cannot shrink the file; it says by how much it is over, and compacting mends it.
func TestALoweredCeilingNeedsCompacting(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.db")
	s := storetest.OpenPath(t, path)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 400 {
		if i%40 == 0 {
			appendFrames(t, s, noisy(r, noon.Add(time.Duration(i)*time.Minute), 1000)...)
		}
		appendFrames(t, s, noisy(r, noon.Add(time.Duration(i)*time.Minute), 20)...)
	}
	before, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	const ceiling = 512 << 10
	d, err := s.Retain(t.Context(), noon, store.Limits{Ceiling: ceiling})
	if err != nil || d.Over != before.Size()-ceiling {
		t.Errorf("Retain() = %+v, %v; the file has %d bytes", d, err, before.Size())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, after, err := store.Compact(t.Context(), path, nil)
	if err != nil || after > ceiling {
		t.Errorf("Compact() = %d bytes, %v; want at most %d", after, err, ceiling)
	}
}
