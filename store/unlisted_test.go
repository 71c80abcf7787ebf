package store_test

import (
	"encoding/binary"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/store"
	"ringwarden/store/storetest"
)

// freeMany leaves so many free pages in a store, of years before noon, that its commits do not list them any more.
func freeMany(t *testing.T, s *store.Store) {
	t.Helper()
	r := rand.New(rand.NewPCG(5, 6))
	long := noon.AddDate(-3, 0, 0)
	for i := range 12 {
		appendFrames(t, s, noisy(r, long.Add(time.Duration(i)*time.Hour), 15000)...)
	}
	if _, err := s.DropBefore(t.Context(), store.KindRaw, long.AddDate(0, 1, 0)); err != nil {
		t.Fatal(err)
	}
	if st, err := s.Stat(); err != nil || st.Free < 5<<20 || !st.Oldest.IsZero() {
		t.Fatalf("Stat() = %+v, %v; want some thousand free pages and nothing else", st, err)
	}
}

// A file whose free pages were not listed when the power went: they are found again, and nothing is written over what
// is in use.
func TestUnlistedFreePages(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s := storetest.OpenPath(t, path)
	freeMany(t, s)
	r := rand.New(rand.NewPCG(1, 2))
	frames := noisy(r, noon, 2000)
	appendFrames(t, s, frames...)
	b, err := os.ReadFile(path) // as it would be found
	if err != nil {
		t.Fatal(err)
	}
	for _, head := range []int{0, 4096} { // bbolt's two heads: the page of the list is 16+32 bytes in, all ones if there is none
		if list := binary.NativeEndian.Uint64(b[head+48:]); list != ^uint64(0) {
			t.Errorf("the head at %d has its free pages listed on page %d", head, list)
		}
	}
	cut := filepath.Join(t.TempDir(), "cut.db")
	if err := os.WriteFile(cut, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s = storetest.OpenPath(t, cut)
	frames = append(frames, noisy(r, noon.Add(time.Minute), 20000)...)
	appendFrames(t, s, frames[2000:]...)
	sortFrames(frames)
	if d := cmp.Diff(frames, allFrames(t, s, store.Query{}), append(sameFrames, bits)...); d != "" {
		t.Errorf("frames (-want +got):\n%s", d)
	}
	info, err := os.Stat(cut)
	if err != nil || info.Size() != int64(len(b)) {
		t.Errorf("the file grew from %d to %d bytes, %v; want the free pages used", len(b), info.Size(), err)
	}
}
