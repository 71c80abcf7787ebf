package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// contents is all that can be read from a store.
type contents struct {
	frames   []fleet.Frame
	changes  []fleet.Change
	standing []fleet.Alarm
	damaged  uint64
}

func readAll(s *Store) (c contents, err error) {
	ctx := context.Background()
	for f, err := range s.Frames(ctx, Query{}) {
		if err != nil {
			return c, err
		}
		c.frames = append(c.frames, f)
	}
	for change, err := range s.Changes(ctx, time.Time{}, time.Time{}) {
		if err != nil {
			return c, err
		}
		c.changes = append(c.changes, change)
	}
	if c.standing, err = s.Standing(ctx); err != nil {
		return c, err
	}
	st, err := s.Stat()
	c.damaged = st.Damaged
	return c, err
}

// within reports whether every record of c is one of the whole: damage may take records away, never change one.
func (c *contents) within(whole *contents) error {
	at := make(map[time.Time]fleet.Frame)
	for _, f := range whole.frames {
		at[f.At] = f
	}
	for _, f := range c.frames {
		if !reflect.DeepEqual(f.Values, at[f.At].Values) {
			return fmt.Errorf("the frame at %v is another one", f.At)
		}
	}
	if lost := len(whole.frames) + len(whole.changes) - len(c.frames) - len(c.changes); lost != 0 && c.damaged == 0 {
		return fmt.Errorf("%d records are gone and nothing was said", lost)
	}
	if c.damaged == 0 && !reflect.DeepEqual(c.standing, whole.standing) {
		return errors.New("the standing alarms are others and nothing was said")
	}
	return nil
}

// trial opens a spoilt file and uses it. It fails the test if anything is lost without a word, or changed.
func trial(t *testing.T, path string, spoilt []byte, whole *contents, alsoWrite bool) (verdict string) {
	t.Helper()
	if err := os.WriteFile(path, spoilt, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(path, Options{Wait: time.Millisecond})
	if err != nil {
		unchanged(t, path, spoilt)
		if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrForeign) {
			t.Errorf("Open = %v, want ErrDamaged or ErrForeign", err)
		}
		if _, err := VerifyFile(context.Background(), path, nil); !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrForeign) {
			t.Errorf("VerifyFile = %v, want ErrDamaged or ErrForeign", err)
		}
		unchanged(t, path, spoilt)
		return "refused"
	}
	defer s.Close()
	c, err := readAll(s)
	if err == nil {
		err = c.within(whole)
	}
	if err != nil {
		t.Error(err)
	}
	if alsoWrite {
		if err := s.Append(context.Background(), []fleet.Frame{{Controller: "a/b/c", At: time.Unix(1e6, 0)}}); err != nil {
			t.Errorf("Append = %v", err)
		}
	}
	if c.damaged > 0 {
		return "found"
	}
	return "harmless"
}

// A file that was cut short anywhere, as by a full card or a broken copy, is refused or whole, and nothing ends the
// process.
func TestTruncated(t *testing.T) {
	original, whole := undamaged(t)
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	verdicts := make(map[string]int)
	for n := 1; n < len(original); n += 509 {
		verdicts[trial(t, path, original[:n], whole, true)]++
	}
	t.Log(verdicts)
	if verdicts["refused"] < len(original)/509/2 {
		t.Errorf("%v of %d bytes, want most of the cuts refused", verdicts, len(original))
	}
}

// Flipped bits, as an old card makes them, are found wherever they matter.
func TestFlippedBits(t *testing.T) {
	original, whole := undamaged(t)
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	r := rand.New(rand.NewPCG(1, 2))
	verdicts := make(map[string]int)
	p, _, err := readMeta(bytes.NewReader(original), int64(len(original)))
	if err != nil {
		t.Fatal(err)
	}
	for at := range p.meta.high * pageSize { // what lies behind was never written
		if at%pageSize > 40 && r.IntN(200) != 0 {
			continue // every byte of the heads of pages, and some of the rest
		}
		spoilt := append([]byte(nil), original...)
		spoilt[at] ^= 1 << r.IntN(8)
		before := t.Failed()
		verdicts[trial(t, path, spoilt, whole, r.IntN(20) == 0)]++
		if t.Failed() && !before {
			t.Fatalf("with the byte at %d of %d flipped", at, len(original))
		}
	}
	t.Log(verdicts)
	if verdicts["refused"] == 0 || verdicts["found"] == 0 || verdicts["harmless"] == 0 {
		t.Errorf("%v: want some of each", verdicts)
	}
}

// Whole pages of rubbish, as a torn write leaves them.
func TestGarbagePages(t *testing.T) {
	original, whole := undamaged(t)
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	r := rand.New(rand.NewPCG(3, 4))
	for page := range len(original) / pageSize {
		for _, fill := range []func() byte{func() byte { return 0 }, func() byte { return 0xff }, func() byte { return byte(r.Uint32()) }} {
			spoilt := append([]byte(nil), original...)
			for i := range pageSize {
				spoilt[page*pageSize+i] = fill()
			}
			trial(t, path, spoilt, whole, false)
		}
	}
	both := append([]byte(nil), original...)
	for i := range 2 * pageSize {
		both[i] = byte(r.Uint32())
	}
	if err := os.WriteFile(path, both, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(path, Options{})
	wantError(t, err, ErrDamaged, path, "move it aside")
	unchanged(t, path, both)
}

func undamaged(t *testing.T) ([]byte, *contents) {
	t.Helper()
	path := damageable(t)
	s, err := Open(path, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	whole, err := readAll(s)
	if err != nil || len(whole.frames) != damageableFrames || whole.damaged != 0 {
		t.Fatalf("%d frames, %d damaged, %v", len(whole.frames), whole.damaged, err)
	}
	original, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return original, &whole
}

// Damage that comes while the file is open, and that bbolt walks into: an error, and no hanging Close.
func TestDamageUnderOpenStore(t *testing.T) {
	for name, spoil := range map[string]func(f *os.File, size int64) error{
		"rubbish": func(f *os.File, size int64) error {
			rubbish := make([]byte, size-2*pageSize)
			r := rand.New(rand.NewPCG(5, 6))
			for i := range rubbish {
				rubbish[i] = byte(r.Uint32())
			}
			_, err := f.WriteAt(rubbish, 2*pageSize)
			return err
		},
		"cut short": func(f *os.File, _ int64) error { return f.Truncate(2 * pageSize) },
	} {
		path := damageable(t)
		s, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		info, err := f.Stat()
		if err := errors.Join(err, spoil(f, info.Size()), f.Close()); err != nil {
			t.Fatal(err)
		}
		if _, err := readAll(s); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: reading = %v, want ErrDamaged", name, err)
		}
		frame := []fleet.Frame{{Controller: "a/b/c", At: time.Unix(1, 0)}}
		for range 2 {
			if err := s.Append(t.Context(), frame); !errors.Is(err, ErrDamaged) {
				t.Errorf("%s: Append = %v, want ErrDamaged", name, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Errorf("%s: Close = %v", name, err)
		}
		s, err = Open(path, Options{})
		wantError(t, err, ErrDamaged, path, "move it aside")
		if err == nil {
			s.Close()
		}
	}
}

// One spoilt value costs its own frames only, and is counted once however often it is met.
func TestDamagedValueIsSkipped(t *testing.T) {
	path := damageable(t)
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketJournal)
		k, v := b.Cursor().Seek(journalKey(time.Unix(7, 0), 0))
		spoilt := append([]byte(nil), v...)
		spoilt[len(spoilt)-1] ^= 1
		return b.Put(append([]byte(nil), k...), spoilt)
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for range 2 {
		if n := countFrames(t, s); n != damageableFrames-1 {
			t.Errorf("%d frames, want %d", n, damageableFrames-1)
		}
	}
	if st, err := s.Stat(); err != nil || st.Damaged != 1 {
		t.Errorf("Stat = %+v, %v, want 1 damaged", st, err)
	}
	if err := s.Verify(t.Context()); !errors.Is(err, ErrDamaged) {
		t.Errorf("Verify = %v, want ErrDamaged", err)
	}
}
