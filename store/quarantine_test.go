package store_test

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"

	"ringwarden/fleet"
	"ringwarden/store"
)

// spoilFirst flips a bit of the first record of a bucket.
func spoilFirst(t *testing.T, path, bucket string) {
	t.Helper()
	db, err := bbolt.Open(path, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucket))
		k, v := b.Cursor().First()
		bad := bytes.Clone(v)
		bad[len(bad)/2] ^= 4
		return b.Put(k, bad)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// twoDays makes a store of two days of two controllers, of which the first is folded.
func twoDays(t *testing.T, path string) {
	t.Helper()
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var frames []fleet.Frame
	for i := range 48 * 6 {
		for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
			frames = append(frames, reading(id, noon.Add(time.Duration(i)*10*time.Minute), 480, uint64(i)))
		}
	}
	appendFrames(t, s, frames...)
	if err := s.Fold(t.Context(), noon.Add(40*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// A listener waits for a line of the log.
type listener struct {
	slog.Handler
	line string
	once *sync.Once
	done chan struct{}
}

// Enabled hears all.
func (l listener) Enabled(context.Context, slog.Level) bool { return true }

// Handle hears a line.
func (l listener) Handle(_ context.Context, r slog.Record) error {
	if strings.Contains(r.Message, l.line) {
		l.once.Do(func() { close(l.done) })
	}
	return nil
}

// A damaged chunk, journal value or rollup is met by a reader while the daemon runs: it is skipped and counted, all else is
// read, it leaves its place at once, and a restart finds it named in quarantine and nothing else amiss.
func TestQuarantine(t *testing.T) {
	for bucket, lost := range map[string]struct {
		frames int
		name   string
	}{
		"chunks":  {72, "normal readings of mill/north/alder from 2026-06-21 12:00:00 UTC to 2026-06-21 23:50:00 UTC"},
		"journal": {2, "readings of 2026-06-23 04:00:00 UTC"},
		"coarse":  {0, "rollups of volts of mill/north/alder of the day from 2026-06-21 00:00:00 UTC"},
	} {
		t.Run(bucket, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ringwarden.db")
			twoDays(t, path)
			spoilFirst(t, path, bucket)
			heard := listener{slog.DiscardHandler, "were put into quarantine", new(sync.Once), make(chan struct{})}
			s, err := store.Open(path, store.Options{Logger: slog.New(heard)})
			if err != nil {
				t.Fatal(err)
			}
			ctx, stop := context.WithCancel(t.Context())
			var loop sync.WaitGroup
			loop.Go(func() { s.RunFold(ctx, func() time.Time { return noon.Add(40 * time.Hour) }) })
			frames := allFrames(t, s, store.Query{})
			days := rolled(t, s, "mill/north/alder", "volts", store.Day)
			if len(frames) != 2*48*6-lost.frames || s.Damaged() != 1 {
				t.Errorf("%d frames are read, %d records damaged; want %d, 1", len(frames), s.Damaged(), 2*48*6-lost.frames)
			}
			<-heard.done
			stop()
			loop.Wait()
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			st, err := store.VerifyFile(t.Context(), path, nil)
			if err != nil || st.Quarantined != 1 || st.Damaged != 0 {
				t.Errorf("VerifyFile() = %d in quarantine, %d damaged, %v; want 1, 0", st.Quarantined, st.Damaged, err)
			}
			s, err = store.Open(path, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			names, all, err := s.Quarantined(t.Context(), 20)
			if err != nil || all != 1 || !strings.Contains(names[0], lost.name) {
				t.Errorf("Quarantined() = %q, %d, %v; want %q", names, all, err, lost.name)
			}
			if d := cmp.Diff(frames, allFrames(t, s, store.Query{}), sameFrames...); d != "" {
				t.Errorf("frames after a restart (-before +after):\n%s", d)
			}
			if err := s.Fold(t.Context(), noon.Add(40*time.Hour)); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(days, rolled(t, s, "mill/north/alder", "volts", store.Day)); d != "" {
				t.Errorf("days after a restart (-before +after):\n%s", d)
			}
		})
	}
}

// Readings come late on a day of which a chunk was lost by damage: the rollups that were made of it while it could be read
// stay, whether the damage was met before or not; of a day that has none yet they are made of what is left, and say by their
// coverage that it is not all.
func TestLateReadingsOnADayWithALostChunk(t *testing.T) {
	for name, test := range map[string]struct{ rolled, met bool }{
		"rolled up and met":     {true, true},
		"rolled up and not met": {true, false},
		"not rolled up yet":     {false, true},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ringwarden.db")
			twoDays(t, path)
			if !test.rolled {
				emptyRollups(t, path)
			}
			s, err := store.Open(path, store.Options{})
			if err != nil {
				t.Fatal(err)
			}
			whole := rolled(t, s, "mill/north/alder", "volts", store.Hour)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			spoilFirst(t, path, "chunks") // of alder, until midnight
			if s, err = store.Open(path, store.Options{}); err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if test.met {
				allFrames(t, s, store.Query{})
				if n, err := s.Quarantine(t.Context()); n != 1 || err != nil {
					t.Fatalf("Quarantine() = %d, %v", n, err)
				}
			}
			appendFrames(t, s, reading("mill/north/alder", noon.Add(90*time.Minute+time.Second), 480, 5))
			if err := s.Fold(t.Context(), noon.Add(40*time.Hour)); err != nil {
				t.Fatal(err)
			}
			got := rolled(t, s, "mill/north/alder", "volts", store.Hour)
			if test.rolled {
				if d := cmp.Diff(whole, got); d != "" {
					t.Errorf("the hours lost what they knew (-before +after):\n%s", d)
				}
				return
			}
			if len(got) == 0 || got[0].Count != 1 || got[0].Coverage() > 0.5 {
				t.Errorf("the hours of what is left begin with %+v; want one sample and little coverage", got)
			}
		})
	}
}

// emptyRollups takes the rollups out of a store, as if none had been made yet.
func emptyRollups(t *testing.T, path string) {
	t.Helper()
	db, err := bbolt.Open(path, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		if err := tx.DeleteBucket([]byte("coarse")); err != nil {
			return err
		}
		_, err := tx.CreateBucket([]byte("coarse"))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}
