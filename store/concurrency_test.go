package store

import (
	"context"
	"errors"
	"iter"
	"sync"
	"testing"
	"time"

	"ringwarden/fleet"
)

// A page that is left open half way down a table must not stop the daemon's commits, nor keep old pages from being
// used again: no transaction is open while a consumer works, and appending from inside the loop does not hang though
// the file has to grow.
func TestConsumersHoldNothing(t *testing.T) {
	s, err := Open(damageable(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	before, err := s.Stat()
	if err != nil {
		t.Fatal(err)
	}
	next, stop := iter.Pull2(s.Frames(t.Context(), Query{}))
	defer stop()
	if _, err, ok := next(); !ok || err != nil {
		t.Fatal(ok, err)
	}
	if n := s.db.Stats().OpenTxN; n != 0 {
		t.Errorf("%d transactions are open while the consumer works", n)
	}
	done := make(chan error, 1)
	go func() {
		var err error
		for i := range 40 {
			err = errors.Join(err, s.Append(t.Context(), numbered(t, "mill/north/birch", 1000*i, 500)))
		}
		done <- err
	}()
	select {
	case err := <-done:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("the writer waits for a reader")
	}
	after, err := s.Stat()
	if err != nil || after.Size < 2*before.Size {
		t.Errorf("the file grew from %d to %d bytes, %v: too little for a test", before.Size, after.Size, err)
	}
	if after.Free > 64*pageSize {
		t.Errorf("%d bytes are free but were not used again", after.Free)
	}
	for _, err, ok := next(); ok; _, err, ok = next() {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// numbered returns n frames, one for each second from start on.
func numbered(t testing.TB, id fleet.ControllerID, start, n int) []fleet.Frame {
	t.Helper()
	frames := make([]fleet.Frame, n)
	for i := range frames {
		frames[i] = fleet.Frame{Controller: id, At: time.Unix(int64(start+i), 0).UTC(), Outcome: fleet.Answered}
	}
	return frames
}

// Several write and read at once: every frame is there once, and readers see whole instants only.
func TestTogether(t *testing.T) {
	s, err := Open(damageable(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var wg sync.WaitGroup
	for _, id := range []fleet.ControllerID{"mill/north/birch", "mill/north/cedar"} {
		wg.Go(func() {
			for i := range 20 {
				if err := s.Append(t.Context(), numbered(t, id, 100*i, 100)); err != nil {
					t.Error(err)
				}
			}
		})
		wg.Go(func() {
			for range 20 {
				last := time.Time{}
				for f, err := range s.Frames(t.Context(), Query{Controllers: []fleet.ControllerID{id}}) {
					if err != nil || !f.At.After(last) {
						t.Errorf("%v after %v, %v", f.At, last, err)
						return
					}
					last = f.At
				}
				if _, err := s.Latest(t.Context(), id); err != nil {
					t.Error(err)
				}
				if _, err := s.Stat(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if n := countFrames(t, s); n != damageableFrames+2*2000 {
		t.Errorf("%d frames, want %d", n, damageableFrames+2*2000)
	}
	if err := s.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}

// A daemon that is told to stop does not wait behind a slow commit.
func TestCancelledWhileWaiting(t *testing.T) {
	s, err := Open(damageable(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.writer <- struct{}{} // a write that takes its time
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Append(ctx, numbered(t, "mill/north/birch", 0, 1)) }()
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("Append = %v, want context.Canceled", err)
	}
	<-s.writer
	if n := countFrames(t, s); n != damageableFrames {
		t.Errorf("%d frames, want %d: the cancelled one is not there", n, damageableFrames)
	}
}
