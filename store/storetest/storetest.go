// Package storetest opens stores for tests and checks the whole file of each when its test ends.
package storetest

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/store"
)

// Open opens a new store in a folder of the test's own. When the test ends, every record of it is verified, it is
// closed, and bbolt checks every page.
func Open(t testing.TB) *store.Store {
	t.Helper()
	return OpenPath(t, filepath.Join(t.TempDir(), "ringwarden.db"))
}

// OpenPath is like [Open] for a store at path, which may be there already. A test that closes the store itself still
// gets its file checked.
func OpenPath(t testing.TB, path string) *store.Store {
	t.Helper()
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close() = %v", err)
		}
		Check(t, path)
	})
	return s
}

// Check checks a store that nobody has open: every page by bbolt, every record by [store.Store.Verify].
func Check(t testing.TB, path string) {
	t.Helper()
	db, err := bbolt.Open(path, 0, &bbolt.Options{ReadOnly: true, Timeout: time.Second})
	if err != nil {
		t.Errorf("bbolt.Open(%s) = %v", path, err)
		return
	}
	err = db.View(func(tx *bbolt.Tx) error {
		for err := range tx.Check() {
			t.Errorf("%s: %v", path, err)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Error(err)
		return
	}
	if err := s.Verify(context.Background()); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
