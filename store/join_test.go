package store_test

import (
	"context"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// records returns how many records a bucket of a store has.
func records(t *testing.T, s *store.Store, bucket string) int {
	t.Helper()
	u, err := s.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range u.Buckets {
		if b.Name == bucket {
			return b.Records
		}
	}
	t.Fatalf("there is no bucket %s", bucket)
	return 0
}

// Whoever folds bit by bit loses no room by it in the end: the short chunks of a window become one for each controller.
func TestShortChunksAreJoined(t *testing.T) {
	s := storetest.Open(t)
	f := storetest.NewFleet(3, noon)
	for range 40 {
		if err := s.Append(t.Context(), f.Tick()); err != nil {
			t.Fatal(err)
		}
		if err := s.Fold(t.Context(), noon.Add(10*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if n := records(t, s, "chunks"); n != 3*40 {
		t.Fatalf("%d chunks, want one for each controller and fold", n)
	}
	before := allFrames(t, s, store.Query{})
	if err := s.FoldDue(t.Context(), noon.Add(12*time.Hour+29*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if n := records(t, s, "chunks"); n != 3*40 {
		t.Errorf("%d chunks while the window is not over yet, want them left alone", n)
	}
	if err := s.FoldDue(t.Context(), noon.Add(12*time.Hour+30*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if n := records(t, s, "chunks"); n != 3 {
		t.Errorf("%d chunks once the window is over, want one for each controller", n)
	}
	if d := cmp.Diff(before, allFrames(t, s, store.Query{}), sameFrames...); d != "" {
		t.Errorf("the frames are others than before (-before +after):\n%s", d)
	}
}

// A fleet that writes much does not have to wait for the end of the window, or every question would read all of it; a
// small one does, so that its card is written to once.
func TestLargeJournalIsFoldedEarly(t *testing.T) {
	for _, tt := range []struct{ size, left int }{{50 << 10, 30 * 6}, {2 << 10, 400}} {
		s := storetest.Open(t)
		text := fleet.NewLayout([]fleet.Point{{Name: "words", Form: fleet.FormText, Mul: 1, Div: 1}})
		var frames []fleet.Frame
		for i := range 400 { // ten seconds apart, 66 minutes
			frames = append(frames, fleet.Frame{
				Controller: "mill/north/alder", At: noon.Add(time.Duration(i) * 10 * time.Second), Outcome: fleet.Answered, Layout: text,
				Values: []fleet.Value{{Quality: fleet.Good, Text: strings.Repeat("x", tt.size)}},
			})
		}
		for i := 0; i < len(frames); i += 100 {
			if err := s.Append(t.Context(), frames[i:i+100]); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.FoldDue(t.Context(), noon.Add(400*10*time.Second)); err != nil {
			t.Fatal(err)
		}
		if n := records(t, s, "journal"); n != tt.left {
			t.Errorf("of 400 frames of %d bytes %d are in the journal, want %d", tt.size, n, tt.left)
		}
	}
}

// Whoever reads while frames move from the journal into chunks, and from short chunks into long ones, meets each of them
// once.
func TestReadersMeetEachFrameOnce(t *testing.T) {
	s := storetest.Open(t)
	const id = fleet.ControllerID("mill/north/alder")
	const step = 30 * time.Minute
	var stored atomic.Int64 // how many frames are acknowledged
	done := make(chan struct{})
	var readers sync.WaitGroup
	steady := func(read func(to time.Time, next func(at time.Time, err error) bool)) {
		readers.Go(func() {
			for stopped := false; !stopped; {
				select {
				case <-done:
					stopped = true
				default:
				}
				want, n := stored.Load(), int64(0)
				read(noon.Add(time.Duration(want)*step), func(at time.Time, err error) bool {
					if want := noon.Add(time.Duration(n) * step); err != nil || !at.Equal(want) {
						t.Errorf("frame %d is of %v, %v, want %v", n, at, err, want)
						return false
					}
					n++
					return true
				})
				if n != want && !t.Failed() {
					t.Errorf("%d frames, want %d", n, want)
				}
			}
		})
	}
	steady(func(to time.Time, next func(time.Time, error) bool) {
		for f, err := range s.Frames(context.Background(), store.Query{To: to}) {
			if !next(f.At, err) {
				return
			}
		}
	})
	steady(func(to time.Time, next func(time.Time, error) bool) {
		for v, err := range s.Samples(context.Background(), id, "volts", time.Time{}, to) {
			if !next(v.At, err) {
				return
			}
		}
	})
	for i := range 4 * 24 {
		at := noon.Add(time.Duration(i) * step)
		f := fleet.Frame{Controller: id, At: at, Outcome: fleet.Answered, Layout: small, Values: make([]fleet.Value, len(small.Points))}
		if err := s.Append(context.Background(), []fleet.Frame{f}); err != nil {
			t.Fatal(err)
		}
		stored.Add(1)
		if err := s.Fold(context.Background(), at.Add(-2*step)); err != nil {
			t.Fatal(err)
		}
		if err := s.FoldDue(context.Background(), at); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.FoldDue(context.Background(), noon.Add(4*24*step+time.Hour)); err != nil {
		t.Fatal(err)
	}
	close(done)
	readers.Wait()
	if n := records(t, s, "chunks"); n != 4 {
		t.Errorf("%d chunks, want one for each window", n)
	}
}
