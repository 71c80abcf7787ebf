package store_test

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A disk whose syncs or writes fail: what was acknowledged stays, what was not is not acknowledged, alarms and readings
// can be read all the while, and once the disk is well again everything goes on, in one process and after a restart.
func TestAFailingDisk(t *testing.T) {
	for name, tt := range map[string]struct {
		calls []uint32
		errno syscall.Errno
	}{
		"sync fails":     {storetest.Syncs, syscall.EIO},
		"writes fail":    {storetest.Writes, syscall.EIO},
		"disk full":      {storetest.Writes, syscall.ENOSPC},
		"read-only disk": {storetest.Writes, syscall.EROFS},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "f.db")
			s := storetest.OpenPath(t, path)
			freeMany(t, s)
			r := rand.New(rand.NewPCG(1, 2))
			acknowledged := map[time.Time]bool{}
			for round := range 20 {
				at := noon.Add(time.Duration(round) * time.Hour)
				frames := noisy(r, at, 200)
				failing := round%4 > 1
				var errs []error
				if failing {
					storetest.Failing(t, tt.calls, tt.errno, func() {
						errs = append(errs, s.Append(t.Context(), frames), s.PutChanges(t.Context(), goldenChanges()[:1]), s.PutNote(t.Context(), swapped))
					})
				} else {
					errs = append(errs, s.Append(t.Context(), frames))
					acknowledged[at] = errs[0] == nil
				}
				for _, err := range errs {
					if failing != errors.Is(err, tt.errno) {
						t.Fatalf("round %d, failing %v: %v", round, failing, errs)
					}
				}
				checkAcknowledged(t, s, acknowledged, 200)
			}
			if err := s.Verify(t.Context()); err != nil {
				t.Error(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = storetest.OpenPath(t, path)
			checkAcknowledged(t, s, acknowledged, 200)
		})
	}
}

// checkAcknowledged wants all frames of each acknowledged instant; others may be there, too.
func checkAcknowledged(t *testing.T, s *store.Store, acknowledged map[time.Time]bool, each int) {
	t.Helper()
	got := map[time.Time]int{}
	for _, f := range allFrames(t, s, store.Query{}) {
		got[f.At]++
	}
	for at, ok := range acknowledged {
		if ok && got[at] != each {
			t.Fatalf("of the %d acknowledged frames of %v %d are there", each, at, got[at])
		}
	}
}

// What cannot be written on a failing disk leaves nothing half done: neither a copy nor a compacted file.
func TestCopyAndCompactOnAFailingDisk(t *testing.T) {
	path := full(t)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Failing(t, storetest.Writes, syscall.ENOSPC, func() { _, _, err = store.Compact(t.Context(), path, nil) })
	after, readErr := os.ReadFile(path)
	if !errors.Is(err, syscall.ENOSPC) || string(after) != string(before) || readErr != nil || len(folder(t, path)) != 1 {
		t.Errorf("Compact() = %v, %v; the folder holds %v", err, readErr, folder(t, path))
	}
	s := storetest.OpenPath(t, path)
	to := filepath.Join(t.TempDir(), "copy.db")
	storetest.Failing(t, storetest.Syncs, syscall.EIO, func() { _, err = s.Copy(t.Context(), to, nil) })
	if !errors.Is(err, syscall.EIO) || len(folder(t, to)) != 0 {
		t.Errorf("Copy() = %v; the folder holds %v", err, folder(t, to))
	}
}

// A disk that is really full: what was acknowledged is there and checks, and as soon as there is some room again all
// goes on, without opening the store anew; the room of old readings that are dropped then takes new ones.
func TestAFullDisk(t *testing.T) {
	storetest.SmallDisk(t, "3000", func(folder string) {
		path, ballast := filepath.Join(folder, "f.db"), filepath.Join(folder, "ballast")
		if err := os.WriteFile(ballast, make([]byte, 256<<10), 0o600); err != nil {
			t.Fatal(err)
		}
		s := storetest.OpenPath(t, path)
		r := rand.New(rand.NewPCG(1, 2))
		acknowledged := map[time.Time]bool{}
		var err error
		at := noon
		for ; err == nil; at = at.Add(time.Minute) {
			err = s.Append(t.Context(), noisy(r, at, 200))
			acknowledged[at] = err == nil
		}
		if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "free some space on that disk") || len(acknowledged) < 50 {
			t.Fatalf("after %d appends: %v", len(acknowledged), err)
		}
		t.Logf("full after %d commits of 200 frames", len(acknowledged))
		checkAcknowledged(t, s, acknowledged, 200)
		if err := s.Verify(t.Context()); err != nil {
			t.Error(err)
		}
		if _, err := s.Copy(t.Context(), filepath.Join(folder, "copy.db"), nil); !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("Copy() to the full disk = %v", err)
		}
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		half := noon.Add(at.Sub(noon) / 2)
		dropped, err := s.DropBefore(t.Context(), store.KindRaw, half)
		if err != nil || dropped == 0 {
			t.Fatalf("DropBefore() with a little room = %d, %v", dropped, err)
		}
		for i := range 120 { // more than the ballast's room
			appendFrames(t, s, noisy(r, at.Add(time.Duration(i)*time.Minute), 200)...)
		}
		if err := s.PutNote(t.Context(), fleet.Note{At: at, Text: "made room"}); err != nil {
			t.Error(err)
		}
	})
}

// A disk that is full to the last byte: nothing can be dropped from a store that has no free page, since that takes pages; a
// retention that has put something by beforehand can, and what comes then has room again.
func TestRetainOnAFullDisk(t *testing.T) {
	storetest.SmallDisk(t, "5000", func(folder string) {
		path := filepath.Join(folder, "f.db")
		s := storetest.OpenPath(t, path)
		r := rand.New(rand.NewPCG(1, 2))
		if _, err := s.Retain(t.Context(), noon, store.Limits{Raw: time.Hour}); err != nil {
			t.Fatal(err)
		}
		var err error
		at := noon
		for ; err == nil; at = at.Add(time.Minute) {
			err = s.Append(t.Context(), noisy(r, at, 200))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
		fillUp(t, filepath.Join(folder, "others"))
		half := at.Sub(noon) / 2
		if n, err := s.DropBefore(t.Context(), store.KindRaw, noon.Add(half)); n > 0 || !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("DropBefore() = %d, %v; want no room for that", n, err)
		}
		d, err := s.Retain(t.Context(), at, store.Limits{Raw: half})
		if err != nil || d.Records == 0 {
			t.Fatalf("Retain() = %+v, %v", d, err)
		}
		for i := range 30 {
			appendFrames(t, s, noisy(r, at.Add(time.Duration(i)*time.Minute), 200)...)
		}
		if err := s.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

// fillUp writes to a file until not a byte more goes in.
func fillUp(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for size := 64 << 10; size > 0; {
		if _, err := f.Write(make([]byte, size)); err != nil {
			size /= 2
		}
	}
	f.Close() // it has nothing more to say
}

// A store on a read-only disk can be read and says why it cannot be opened for writing.
func TestAReadOnlyDisk(t *testing.T) {
	storetest.SmallDisk(t, "3000", func(folder string) {
		path := filepath.Join(folder, "f.db")
		s, err := store.Open(path, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		appendFrames(t, s, reading("mill/north/alder", noon, 1, 1))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := syscall.Mount("", folder, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
		if _, err := store.Open(path, store.Options{}); !errors.Is(err, syscall.EROFS) || !strings.Contains(err.Error(), "mount it for writing") {
			t.Errorf("Open() for writing = %v", err)
		}
		s, err = store.Open(path, store.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		if got := allFrames(t, s, store.Query{}); len(got) != 1 {
			t.Errorf("%d frames are there, want 1", len(got))
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if _, _, err := store.Compact(t.Context(), path, nil); !errors.Is(err, syscall.EROFS) {
			t.Errorf("Compact() = %v", err)
		}
	})
}
