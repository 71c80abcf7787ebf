package store

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"go.etcd.io/bbolt"
)

// While a file grows, the disk has room for more than lies in it, so that a commit need not wait for the file system to find
// some; and never for more than the file says that it is long.
func TestRoomIsTakenAhead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p := newPlant(40)
	const commits, before, longer = 400, 20, 10 // the commit that makes the file itself longer cannot be ahead
	short := 0
	for i := range commits {
		if err := s.Append(t.Context(), p.tick()); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		var end int64
		if err := s.view(func(tx *bbolt.Tx) error { end = tx.Size(); return nil }); err != nil {
			t.Fatal(err)
		}
		taken := info.Sys().(*syscall.Stat_t).Blocks * 512
		if most := info.Size() + 64<<10; taken > most { // what the file system needs for itself counts as well
			t.Fatalf("%d bytes of the disk for a file of %d", taken, info.Size())
		}
		if i >= before && taken < end+32<<10 && end+32<<10 < info.Size() {
			short++
		}
	}
	if short > longer {
		t.Errorf("%d of %d commits found no room ahead of them", short, commits-before)
	}
}
