package store

import (
	"path/filepath"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A box that is killed while readings move to another time: the first commit says which, and the next start moves the rest.
func TestAStepThatWasCutShort(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	boot, set := time.Unix(100, 0).UTC(), time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	open := func() *Store {
		s, err := Open(path, Options{})
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
	p, err := s.plan(t.Context(), boot.Add(34*time.Hour), set)
	if err != nil || len(p.chunks) == 0 || len(p.frames) == 0 || p.moved != len(frames) {
		t.Fatalf("plan: %d chunks, %d frames, %d moved, %v", len(p.chunks), len(p.frames), p.moved, err)
	}
	if err := s.write(t.Context(), "testing", p.begin, func() {}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open()
	n := 0
	for f, err := range s.Frames(t.Context(), Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if want := frames[n].At.Add(set.Sub(boot.Add(34 * time.Hour))); !f.At.Equal(want) || !f.Restamped {
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
