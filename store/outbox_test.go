package store_test

import (
	"errors"
	"maps"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// An alarm that is stored has its message stored, and one whose storing was refused has none: neither a message of
// nothing nor an alarm that nobody hears of.
func TestChangesAndOutboxTogether(t *testing.T) {
	s := storetest.Open(t)
	good := raised(noon, "link-down", "weir/low/alder>birch")
	if err := s.PutChangesAndOutbox(t.Context(), []fleet.Change{good}, store.Edits{"a": []byte("one")}); err != nil {
		t.Fatal(err)
	}
	bad := good
	bad.Alarm.Kind = ""
	if err := s.PutChangesAndOutbox(t.Context(), []fleet.Change{bad}, store.Edits{"b": []byte("two")}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a change without a kind gave %v", err)
	}
	for _, edits := range []store.Edits{{"": {1}}, {string(make([]byte, 1025)): {1}}, {"b": make([]byte, 1<<20+1)}} {
		if err := s.PutChangesAndOutbox(t.Context(), []fleet.Change{good}, edits); !errors.Is(err, store.ErrInvalid) {
			t.Errorf("an entry that is out of bounds gave %v", err)
		}
	}
	wantOutbox(t, s, map[string][]byte{"a": []byte("one")})
	n := 0
	for _, err := range s.Changes(t.Context(), noon, noon.Add(1)) {
		if n++; err != nil {
			t.Fatal(err)
		}
	}
	if n != 1 {
		t.Errorf("%d changes are stored, want 1", n)
	}
}

func wantOutbox(t *testing.T, s *store.Store, want map[string][]byte) {
	t.Helper()
	got, err := s.Outbox(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("outbox (-want +got):\n%s", d)
	}
}

// Whatever is put and taken away, in whatever commits and across restarts: the outbox is what a map would be.
func TestOutboxIsAMap(t *testing.T) {
	dir := t.TempDir()
	run := 0
	rapid.Check(t, func(r *rapid.T) {
		run++
		path := filepath.Join(dir, string(rune('a'+run%26))+rapid.StringMatching(`[a-z]{12}`).Draw(r, "file"))
		model := map[string][]byte{}
		var s *store.Store
		open := func() {
			var err error
			if s, err = store.Open(path, store.Options{}); err != nil {
				r.Fatal(err)
			}
		}
		open()
		defer func() { _ = s.Close() }()
		for range rapid.IntRange(1, 8).Draw(r, "commits") {
			if rapid.IntRange(0, 4).Draw(r, "restart") == 0 {
				if err := s.Close(); err != nil {
					r.Fatal(err)
				}
				open()
			}
			edits := rapid.MapOf(rapid.StringMatching(`[ab]/[a-d]{1,2}`), rapid.OneOf(rapid.Just([]byte(nil)), rapid.SliceOfN(rapid.Byte(), 1, 9))).Draw(r, "edits")
			if err := s.PutOutbox(t.Context(), edits); err != nil {
				r.Fatal(err)
			}
			maps.Copy(model, edits)
			maps.DeleteFunc(model, func(_ string, body []byte) bool { return body == nil })
			for _, prefix := range []string{"", "a/"} {
				want := maps.Clone(model)
				maps.DeleteFunc(want, func(k string, _ []byte) bool { return len(k) < len(prefix) || k[:len(prefix)] != prefix })
				got, err := s.Outbox(t.Context(), prefix)
				if d := cmp.Diff(want, got); err != nil || d != "" {
					r.Fatalf("Outbox(%q): %v\n%s", prefix, err, d)
				}
			}
		}
	})
}

// A store that was written before there was an outbox has none, may be read by who may not write, and gets one with
// its first entry.
func TestOutboxOfAnOldStore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.db")
	s := storetest.OpenPath(t, path)
	if err := s.PutChanges(t.Context(), []fleet.Change{raised(noon, "link-down", "weir/low/alder>birch")}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	reader, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	wantOutbox(t, reader, map[string][]byte{})
	if err := reader.PutOutbox(t.Context(), store.Edits{"a": {1}}); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("a store that is open for reading took an entry: %v", err)
	}
	if err := reader.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, path)
	if err := s.PutOutbox(t.Context(), store.Edits{"a": {1}}); err != nil {
		t.Fatal(err)
	}
	wantOutbox(t, s, map[string][]byte{"a": {1}})
}
