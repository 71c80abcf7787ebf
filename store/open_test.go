package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// whatever err says, a person must read which file, and what to do about it.
func wantError(t *testing.T, err, want error, path, advice string) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("Open = %v, want %v", err, want)
		return
	}
	if s := err.Error(); !strings.Contains(s, path) || !strings.Contains(s, advice) {
		t.Errorf("Open = %q, want it to name %s and to say %q", s, path, advice)
	}
}

// unchanged says whether a file that was refused is as it was.
func unchanged(t *testing.T, path string, before []byte) {
	t.Helper()
	after, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("%s was changed by Open: %d bytes before, %d after, %v", path, len(before), len(after), err)
	}
}

func TestLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, readOnly := range []bool{false, true} {
		_, err = Open(path, Options{Wait: time.Millisecond, ReadOnly: readOnly})
		wantError(t, err, ErrLocked, path, "stop it first")
	}
}

// Two who only read may do so at once, and keep a writer out.
func TestReadOnly(t *testing.T) {
	path := damageable(t)
	first, err := Open(path, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	second, err := Open(path, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if n := countFrames(t, second); n != damageableFrames {
		t.Errorf("%d frames, want %d", n, damageableFrames)
	}
	if err := second.Append(t.Context(), []fleet.Frame{{Controller: "a/b/c", At: time.Unix(1, 0)}}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Append = %v, want ErrReadOnly", err)
	}
	_, err = Open(path, Options{Wait: time.Millisecond})
	wantError(t, err, ErrLocked, path, "stop it first")
	absent := filepath.Join(t.TempDir(), "absent.db")
	_, err = Open(absent, Options{ReadOnly: true})
	wantError(t, err, fs.ErrNotExist, absent, "nothing is stored there")
	if _, err := os.Stat(absent); err == nil {
		t.Error("opening for reading made a file")
	}
}

func TestForeign(t *testing.T) {
	other := filepath.Join(t.TempDir(), "other.db")
	db, err := bbolt.Open(other, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error { _, err := tx.CreateBucket([]byte("journal")); return err })
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	bolt, err := os.ReadFile(other)
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{
		"text":                        []byte("dear diary\n"),
		"long text":                   bytes.Repeat([]byte("dear diary\n"), 10000),
		"zeros":                       make([]byte, 40000),
		"a bbolt file of others":      bolt,
		"the same, its head damaged":  append(make([]byte, 8192), bolt[8192:]...),
		"the same, one byte too much": append(bytes.Clone(bolt), 0),
	} {
		path := filepath.Join(t.TempDir(), "file.db")
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		t.Log(name)
		_, err := Open(path, Options{})
		wantError(t, err, ErrForeign, path, "choose another path")
		unchanged(t, path, content)
	}
	folder := t.TempDir()
	_, err = Open(folder, Options{})
	wantError(t, err, ErrForeign, folder, "a folder")
	missing := filepath.Join(folder, "no", "such.db")
	_, err = Open(missing, Options{})
	wantError(t, err, fs.ErrNotExist, missing, "make the folder")
}

// An empty file, or one that was cut off by a power failure before anything was in it, is a new store.
func TestHollowFilesAreNew(t *testing.T) {
	for _, name := range []string{"empty", "bbolt without buckets"} {
		path := filepath.Join(t.TempDir(), "ringwarden.db")
		if name == "empty" {
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		} else {
			db, err := bbolt.Open(path, 0o600, nil)
			if err != nil {
				t.Fatal(err)
			}
			db.Close()
		}
		s, err := Open(path, Options{})
		if err != nil {
			t.Errorf("%s: Open = %v", name, err)
			continue
		}
		if err := s.Append(t.Context(), []fleet.Frame{{Controller: "a/b/c", At: time.Unix(1, 0)}}); err != nil {
			t.Error(err)
		}
		s.Close()
	}
}

func TestNewer(t *testing.T) {
	path := damageable(t)
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		body := binary.BigEndian.AppendUint16([]byte(magic), Format+1)
		return tx.Bucket(bucketHead).Put(keyStore, seal(keyStore, append(body, "and more"...)))
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(path, Options{})
	wantError(t, err, ErrNewer, path, "use the newer ringwarden")
	unchanged(t, path, before)
}

// A damaged file moves aside without touching another one, so that the daemon can go on with a new one.
func TestSetAside(t *testing.T) {
	path := damageable(t)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	aside, err := SetAside(path, now)
	if err != nil || filepath.Base(aside) != "ringwarden.db.damaged-20260621T120000Z" {
		t.Errorf("SetAside = %q, %v", aside, err)
	}
	unchanged(t, aside, before)
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	if _, err := SetAside(path, now); err == nil {
		t.Error("SetAside overwrote what was set aside before")
	}
	unchanged(t, aside, before)
}

const damageableFrames = 150

// damageable makes a store with frames on several levels of pages, and alarms, and closes it.
func damageable(t testing.TB) string {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	layout := fleet.NewLayout([]fleet.Point{{Name: "text", Form: fleet.FormText, Mul: 1, Div: 1}})
	for i := 0; i < damageableFrames; i += 50 {
		var frames []fleet.Frame
		for j := range 50 {
			frames = append(frames, fleet.Frame{
				Controller: "mill/north/alder", At: time.Unix(int64(i+j), 0).UTC(), Outcome: fleet.Answered, Layout: layout,
				Values: []fleet.Value{{Text: strings.Repeat(string(rune('a'+(i+j)%26)), 100), Quality: fleet.Good}},
			})
		}
		change := fleet.Change{At: time.Unix(int64(i), 0).UTC(), Alarm: fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: "x"}, State: fleet.Unacknowledged,
		}}
		err := errors.Join(s.Append(context.Background(), frames), s.PutChanges(context.Background(), []fleet.Change{change}))
		if err != nil {
			t.Fatal(err)
		}
	}
	// Half of it is in chunks, a small one and a large one.
	for _, before := range []int64{20, damageableFrames / 2} {
		if err := s.Fold(context.Background(), time.Unix(before, 0)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func countFrames(t testing.TB, s *Store) int {
	t.Helper()
	n := 0
	for _, err := range s.Frames(context.Background(), Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}
