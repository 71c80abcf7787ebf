package store_test

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

func notes(t testing.TB, s *store.Store, from, to time.Time) []fleet.Note {
	t.Helper()
	var all []fleet.Note
	for n, err := range s.Notes(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, n)
	}
	return all
}

var swapped = fleet.Note{At: noon, Subject: "weir/low", Who: "kim", Text: "swapped cables 2 and 5"}

// Notes come back as they were written, in the order of what they tell of, also after the file was closed.
func TestNotes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "n.db")
	s := storetest.OpenPath(t, path)
	if got := notes(t, s, time.Time{}, time.Time{}); got != nil {
		t.Errorf("a new store has notes: %v", got)
	}
	earlier := fleet.Note{At: noon.Add(-time.Hour), Text: "µ — two\nlines"}
	second := fleet.Note{At: noon, Subject: "weir/low/alder>birch", Text: "swapped back"}
	for _, n := range []fleet.Note{swapped, earlier, second} {
		if err := s.PutNote(t.Context(), n); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, path)
	if d := cmp.Diff([]fleet.Note{earlier, swapped, second}, notes(t, s, time.Time{}, time.Time{})); d != "" {
		t.Errorf("notes (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]fleet.Note{swapped, second}, notes(t, s, noon, noon.Add(1))); d != "" {
		t.Errorf("notes of an instant (-want +got):\n%s", d)
	}
}

func TestNotesThatAreRefused(t *testing.T) {
	s := storetest.Open(t)
	for name, spoil := range map[string]func(n *fleet.Note){
		"no text":   func(n *fleet.Note) { n.Text = " \n" },
		"long text": func(n *fleet.Note) { n.Text = strings.Repeat("x", store.MaxNote+1) },
		"no time":   func(n *fleet.Note) { n.At = time.Time{} },
		"year 3000": func(n *fleet.Note) { n.At = time.Date(3000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"long who":  func(n *fleet.Note) { n.Who = strings.Repeat("x", 1025) },
	} {
		n := swapped
		spoil(&n)
		if err := s.PutNote(t.Context(), n); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("%s: PutNote() = %v, want ErrInvalid", name, err)
		}
	}
	if got := notes(t, s, time.Time{}, time.Time{}); got != nil {
		t.Errorf("refused notes were stored: %v", got)
	}
}

func TestAnyNoteComesBack(t *testing.T) {
	s := storetest.Open(t)
	rapid.Check(t, func(rt *rapid.T) {
		n := fleet.Note{
			At:      time.Unix(0, rapid.Int64().Draw(rt, "at")).UTC(),
			Subject: fleet.Subject(rapid.StringN(-1, -1, 512).Draw(rt, "subject")),
			Who:     rapid.StringN(-1, -1, 512).Draw(rt, "who"),
			Text:    rapid.StringN(1, -1, store.MaxNote).Draw(rt, "text") + ".",
		}
		if len(n.Text) > store.MaxNote {
			return
		}
		before := len(notes(t, s, n.At, n.At.Add(1)))
		if err := s.PutNote(t.Context(), n); err != nil {
			rt.Fatal(err)
		}
		got := notes(t, s, n.At, n.At.Add(1))
		if len(got) != before+1 {
			rt.Fatalf("%d notes at %v, want %d", len(got), n.At, before+1)
		}
		if d := cmp.Diff(n, got[before]); d != "" {
			rt.Fatalf("(-want +got):\n%s", d)
		}
	})
}

// A damaged note is skipped and named by Verify; the others stay readable.
func TestADamagedNoteIsSkipped(t *testing.T) {
	path := filepath.Join(t.TempDir(), "n.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		n := swapped
		n.At = noon.Add(time.Duration(i) * time.Second)
		if err := s.PutNote(t.Context(), n); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	spoilNote(t, path)
	if s, err = store.Open(path, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if got := notes(t, s, time.Time{}, time.Time{}); len(got) != 2 {
		t.Errorf("%d notes are left, want 2", len(got))
	}
	if err := s.Verify(t.Context()); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "notes ") {
		t.Errorf("Verify() = %v, want it to name a note", err)
	}
}

func spoilNote(t *testing.T, path string) {
	t.Helper()
	db, err := bbolt.Open(path, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte("notes"))
		k, v := b.Cursor().First()
		bad := append([]byte(nil), v...)
		bad[len(bad)-1] ^= 1
		return b.Put(k, bad)
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}
