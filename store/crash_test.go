package store_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// crashEnv tells a copy of the test program to append to the store that it names until it is killed.
const crashEnv = "RINGWARDEN_STORE_TO_CRASH"

func TestMain(m *testing.M) {
	if path := os.Getenv(crashEnv); path != "" {
		err := appendForEver(path)
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// crashBatch is how many frames each Append of the child has: more than one value's worth.
const crashBatch = 20

// crashStep is the time between two batches: so long that a fold crosses windows and days.
const crashStep = 5 * time.Minute

// crashed returns the n-th batch that the child appends.
func crashed(n int) []fleet.Frame {
	frames := make([]fleet.Frame, crashBatch)
	for i := range frames {
		id := fleet.ControllerID(fmt.Sprintf("mill/north/unit-%d", i))
		frames[i] = reading(id, noon.Add(time.Duration(n)*crashStep), uint64(n), uint64(n*i))
	}
	return frames
}

// appendForEver goes on after the last whole batch that is there, and says on standard output which was acknowledged.
func appendForEver(path string) error {
	s, err := store.Open(path, store.Options{})
	if err != nil {
		return err
	}
	ctx := context.Background()
	frames, err := s.Latest(ctx, "mill/north/unit-0")
	if err != nil {
		return err
	}
	next := 0
	if len(frames) > 0 {
		next = int(frames[0].Values[0].Raw) + 1
	}
	var last atomic.Int64
	last.Store(int64(next))
	folds := make(chan error, 1)
	go func() { // beside the appends, until the process is killed
		for {
			before := noon.Add(time.Duration(last.Load()-5) * crashStep)
			if err := s.Fold(ctx, before); err != nil {
				folds <- err
				return
			}
		}
	}()
	for n := next; len(folds) == 0; n++ {
		if err := s.Append(ctx, crashed(n)); err != nil {
			return err
		}
		at := noon.Add(time.Duration(n) * crashStep)
		if err := s.PutChanges(ctx, []fleet.Change{raised(at, "link-down", fleet.Subject(fmt.Sprint(n%7)))}); err != nil {
			return err
		}
		fmt.Println(n)
		last.Store(int64(n))
	}
	return <-folds
}

// The daemon is killed two hundred times at any moment, while it appends and folds: all that was acknowledged is there bit for bit, what was not is
// there whole or not at all, and the file is in good order. (A power cut is harder than this: here the system lives
// on, so what was written but not yet synced survives as well.)
func TestKilledInMidAppend(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	s := storetest.OpenPath(t, path)
	freeMany(t, s) // so that the child's commits do not list the free pages
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	acknowledged := -1
	for range 200 {
		last := runAndKill(t, path, rand.N(15*time.Millisecond))
		if last < acknowledged {
			t.Fatalf("the child began again at %d after %d", last, acknowledged)
		}
		acknowledged = last
		checkCrashed(t, path, acknowledged)
	}
	t.Logf("%d batches acknowledged", acknowledged+1)
}

// runAndKill lets a child append, kills it some time after its first acknowledgement, and returns its last one.
func runAndKill(t *testing.T, path string, after time.Duration) int {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env = append(os.Environ(), crashEnv+"="+path)
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	last := -1
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if last < 0 {
			kill := time.AfterFunc(after, func() { _ = child.Process.Kill() })
			defer kill.Stop()
		}
		if last, err = strconv.Atoi(lines.Text()); err != nil {
			t.Fatal(err)
		}
	}
	if err := child.Wait(); last < 0 || child.ProcessState.Exited() {
		t.Fatalf("the child acknowledged %d and ended with %v before it was killed", last, err)
	}
	return last
}

func checkCrashed(t *testing.T, path string, acknowledged int) {
	t.Helper()
	storetest.Check(t, path)
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	n := 0
	var want []fleet.Frame
	for got, err := range s.Frames(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if n%crashBatch == 0 {
			want = crashed(n / crashBatch)
			sortFrames(want)
		}
		if w := want[n%crashBatch]; got.Layout.ID != w.Layout.ID || !sameFrame(&got, &w) {
			t.Fatalf("frame %d is %+v, want %+v", n, got, w)
		}
		n++
	}
	if n%crashBatch != 0 || n < (acknowledged+1)*crashBatch {
		t.Fatalf("%d frames in batches of %d, batch %d was acknowledged", n, crashBatch, acknowledged)
	}
}

// sameFrame compares all but the layouts.
func sameFrame(a, b *fleet.Frame) bool {
	return a.At.Equal(b.At) && a.Controller == b.Controller && a.Group == b.Group && a.Outcome == b.Outcome &&
		a.Late == b.Late && a.Took == b.Took && a.Restamped == b.Restamped && slices.Equal(a.Values, b.Values)
}
