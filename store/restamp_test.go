package store

import (
	"path/filepath"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A box that is killed while readings move to another time: the first commit says which, and the next start moves the rest.
// Where that is of the same boot, it moves them all once more when the clock is set again.
func TestAStepThatWasCutShort(t *testing.T) {
	for name, boot := range map[string]string{"of no known boot": "", "of a known boot": "one"} {
		t.Run(name, func(t *testing.T) { cutShort(t, boot) })
	}
}

func cutShort(t *testing.T, id string) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	boot, set := time.Unix(100, 0).UTC(), time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	wall, up := boot.Add(34*time.Hour), 34*time.Hour
	open := func() *Store {
		s, err := Open(path, Options{Boot: Boot{ID: id, Now: func() (time.Time, time.Duration) { return wall, up }}})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	var frames []fleet.Frame
	for i := range 200 {
		frames = append(frames, fleet.Frame{Controller: "mill/north/alder", At: boot.Add(time.Duration(i) * 10 * time.Minute), Outcome: fleet.Silent})
	}
	if err := s.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
	if err := s.Fold(t.Context(), boot.Add(25*time.Hour)); err != nil {
		t.Fatal(err)
	}
	p, err := s.plan(t.Context(), wall, set)
	if err != nil || len(p.chunks) == 0 || len(p.frames) == 0 || p.moved != len(frames) {
		t.Fatalf("plan: %d chunks, %d frames, %d moved, %v", len(p.chunks), len(p.frames), p.moved, err)
	}
	run := s.run
	run.started = run.started.Add(set.Sub(wall))
	if err := s.beginStep(t.Context(), p, &run); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	by := set.Sub(wall)
	if wall = set; id != "" {
		wall, by = set.Add(-time.Hour), by-time.Hour
	}
	s = open()
	n := 0
	for f, err := range s.Frames(t.Context(), Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if want := frames[n].At.Add(by); !f.At.Equal(want) || !f.Restamped {
			t.Fatalf("frame %d lies at %v, marked %v; want %v", n, f.At, f.Restamped, want)
		}
		n++
	}
	if n != len(frames) {
		t.Errorf("%d frames are there, want %d", n, len(frames))
	}
	err = s.view(func(tx *bbolt.Tx) error {
		if k, _ := tx.Bucket(bucketMoving).Cursor().First(); k != nil {
			t.Error("something is on its way still")
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if err := s.Verify(t.Context()); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
