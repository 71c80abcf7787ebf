package store_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// full returns the path of a store with frames, rollups, alarms and a note, some of whose readings were dropped again.
func full(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 4))
	for _, day := range []int{-1, 0, 1} {
		for minute := range 4 {
			var frames []fleet.Frame
			for second := range 30 {
				frames = append(frames, noisy(r, noon.AddDate(0, 0, day).Add(time.Duration(minute*60+second)*time.Second), 20)...)
			}
			appendFrames(t, s, frames...)
		}
	}
	if err := s.Fold(t.Context(), noon.Add(12*time.Hour)); err != nil { // the last day stays in the journal
		t.Fatal(err)
	}
	if err := s.PutChanges(t.Context(), goldenChanges()); err != nil {
		t.Fatal(err)
	}
	if err := s.PutNote(t.Context(), swapped); err != nil {
		t.Fatal(err)
	}
	if n, err := s.DropBefore(t.Context(), store.KindRaw, noon); err != nil || n == 0 {
		t.Fatal(n, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// contents is all that a store says.
type contents struct {
	Frames   []fleet.Frame
	Rollups  []store.Rollup
	Standing []fleet.Alarm
	Notes    []fleet.Note
}

func read(t testing.TB, path string) contents {
	t.Helper()
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	standing, err := s.Standing(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var rollups []store.Rollup
	for o, err := range s.Rollups(t.Context(), "mill/north/unit-7", "watts", store.FiveMinutes, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		rollups = append(rollups, o)
	}
	return contents{allFrames(t, s, store.Query{}), rollups, standing, notes(t, s, time.Time{}, time.Time{})}
}

// folder lists the files beside a store.
func folder(t testing.TB, path string) []string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// A compacted store says the same as before, in less room, and goes on being written to in the same order.
func TestCompact(t *testing.T) {
	path := full(t)
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	want := read(t, path)
	var last, total int64
	before, after, err := store.Compact(t.Context(), path, func(done, of int64) {
		if done < last {
			t.Errorf("progress went back from %d to %d", last, done)
		}
		last, total = done, of
	})
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Size() != after || after > before*3/4 || last != total || info.Mode().Perm() != 0o600 {
		t.Errorf("%d bytes before, %d after, %v on disk, %v; progress ended at %d of %d", before, after, info, err, last, total)
	}
	if d := cmp.Diff(want, read(t, path), sameFrames...); d != "" {
		t.Errorf("contents (-before +after):\n%s", d)
	}
	if got := folder(t, path); len(got) != 1 {
		t.Errorf("the folder holds %v", got)
	}
	s := storetest.OpenPath(t, path)
	doubled := want.Frames[0]
	doubled.Late++
	appendFrames(t, s, doubled) // the first that was appended stands: the sequence must have gone on
	if got := allFrames(t, s, store.Query{}); got[0].Late != want.Frames[0].Late {
		t.Error("after compacting, a later append of the same frame took its place")
	}
}

// Ctrl-C at any moment leaves the store as it was and nothing beside it.
func TestCompactStopsWithoutATrace(t *testing.T) {
	path := full(t)
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for stop := range 5 {
		ctx, cancel := context.WithCancelCause(t.Context())
		steps := 0
		interrupted := errors.New("interrupted")
		_, _, err := store.Compact(ctx, path, func(done, total int64) {
			if steps++; steps > stop && done < total {
				cancel(interrupted)
			}
		})
		cancel(nil)
		if !errors.Is(err, interrupted) {
			t.Errorf("stopped at step %d: Compact() = %v", stop, err)
			continue
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != string(want) || len(folder(t, path)) != 1 {
			t.Fatalf("stopped at step %d: the store changed, %v; beside it %v", stop, err, folder(t, path))
		}
	}
}

// Compacting a store that a daemon has open, that is damaged, or that is not there, changes nothing.
func TestCompactRefuses(t *testing.T) {
	path := full(t)
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := store.Compact(t.Context(), path, nil); !errors.Is(err, store.ErrLocked) {
		t.Errorf("Compact() of an open store = %v, want ErrLocked", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	missing := filepath.Join(t.TempDir(), "none.db")
	if _, _, err := store.Compact(t.Context(), missing, nil); !errors.Is(err, fs.ErrNotExist) || len(folder(t, missing)) != 0 {
		t.Errorf("Compact() of a missing store = %v, and made %v", err, folder(t, missing))
	}
	empty := filepath.Join(t.TempDir(), "empty.db")
	for _, hollow := range []bool{false, true} {
		if err := os.WriteFile(empty, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if hollow { // as after a power cut between the making of a store and its first commit
			db, err := bbolt.Open(empty, 0o600, nil)
			if err := errors.Join(err, db.Close()); err != nil {
				t.Fatal(err)
			}
		}
		before, err := os.ReadFile(empty)
		if err != nil {
			t.Fatal(err)
		}
		_, _, err = store.Compact(t.Context(), empty, nil)
		after, readErr := os.ReadFile(empty)
		if !errors.Is(err, fs.ErrNotExist) || readErr != nil || !bytes.Equal(before, after) || len(folder(t, empty)) != 1 {
			t.Errorf("Compact() of a file with nothing in it (%d bytes) = %v; now it has %d", len(before), err, len(after))
		}
	}
	if err := os.Truncate(path, 20_000); err != nil {
		t.Fatal(err)
	}
	if _, _, err := store.Compact(t.Context(), path, nil); !errors.Is(err, store.ErrDamaged) || len(folder(t, path)) != 1 {
		t.Errorf("Compact() of a damaged store = %v; the folder holds %v", err, folder(t, path))
	}
}

// Whoever waits for the lock of a store while it is compacted must not get the old file, which nobody sees any more.
func TestOpenDuringCompact(t *testing.T) {
	path := full(t)
	opened := make(chan error, 1)
	var once bool
	_, _, err := store.Compact(t.Context(), path, func(int64, int64) {
		if once {
			return
		}
		once = true
		go func() {
			s, err := store.Open(path, store.Options{Wait: time.Minute})
			if err == nil {
				err = s.Append(context.WithoutCancel(t.Context()), []fleet.Frame{reading("mill/north/alder", noon.AddDate(1, 0, 0), 1, 1)})
				err = errors.Join(err, s.Close())
			}
			opened <- err
		}()
	})
	if err != nil {
		t.Fatal(err)
	}
	err = <-opened
	got := read(t, path).Frames
	stored := got[len(got)-1].At.Equal(noon.AddDate(1, 0, 0))
	if err != nil && !errors.Is(err, store.ErrLocked) || (err == nil) != stored {
		t.Errorf("opening meanwhile and appending: %v; stored: %v", err, stored)
	}
}

// A copy of a store that is being written to is one instant of it, opens, and checks.
func TestCopyWhileWriting(t *testing.T) {
	path := full(t)
	s := storetest.OpenPath(t, path)
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := s.Append(t.Context(), noisy(rand.New(rand.NewPCG(5, 6)), noon.Add(time.Duration(i)*time.Hour), 50)); err != nil {
				done <- err
				return
			}
		}
	}()
	for i := range 5 {
		copied := filepath.Join(t.TempDir(), "copy.db")
		size, err := s.Copy(t.Context(), copied, nil)
		if err != nil {
			t.Fatal(err)
		}
		st, err := store.VerifyFile(t.Context(), copied, nil)
		if err != nil || st.Size != size {
			t.Errorf("copy %d of %d bytes: %+v, %v", i, size, st, err)
		}
		if d := cmp.Diff([]fleet.Note{swapped}, read(t, copied).Notes); d != "" {
			t.Errorf("copy %d, notes (-want +got):\n%s", i, d)
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestCopyRefuses(t *testing.T) {
	path := full(t)
	s := storetest.OpenPath(t, path)
	if _, err := s.Copy(t.Context(), path, nil); !errors.Is(err, fs.ErrExist) {
		t.Errorf("Copy() over the store itself = %v, want ErrExist", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	to := filepath.Join(t.TempDir(), "copy.db")
	if _, err := s.Copy(ctx, to, func(int64, int64) { cancel() }); !errors.Is(err, context.Canceled) || len(folder(t, to)) != 0 {
		t.Errorf("Copy() that is stopped = %v, and left %v", err, folder(t, to))
	}
}

// Each flipped bit of a record is named, and each cut is found, by checking the file alone.
func TestVerifyFileFinds(t *testing.T) {
	path := full(t)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.VerifyFile(t.Context(), path, nil); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(7, 8))
	found := 0
	const tries = 100
	for range tries {
		b := append([]byte(nil), whole...)
		at := r.IntN(len(b))
		b[at] ^= 1 << r.IntN(8)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := store.VerifyFile(t.Context(), path, nil)
		switch {
		case errors.Is(err, store.ErrDamaged), errors.Is(err, store.ErrForeign), errors.Is(err, store.ErrNewer):
			found++
		case err != nil:
			t.Errorf("byte %d flipped: VerifyFile() = %v, which says nothing of damage", at, err)
		}
	}
	t.Logf("%d of %d single flipped bits were found; the others lie in free pages and gaps", found, tries)
	if found < tries/10 {
		t.Errorf("%d of %d flipped bits were found", found, tries)
	}
	for range 20 {
		if err := os.WriteFile(path, whole[:r.IntN(len(whole)/4)], 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := store.VerifyFile(t.Context(), path, nil); err == nil {
			t.Error("a store cut to less than a quarter checks")
		}
	}
}
