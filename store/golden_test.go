package store_test

import (
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// The golden files; only the last can still be written.
const (
	golden1 = "testdata/format1.bbolt"
	golden2 = "testdata/format2.bbolt"
	golden3 = "testdata/format3.bbolt"
)

// goldenFrames are what the golden file of format 1 holds, and the later ones in chunks: each form of value, plain and
// not.
func goldenFrames() []fleet.Frame {
	good := func(raw uint64, number float64) fleet.Value {
		return fleet.Value{Raw: raw, Number: number, Quality: fleet.Good}
	}
	plain := []fleet.Value{
		good(134, 13.4), good(5, float64(fleet.Float)), good(math.MaxUint64-249, -2.5), good(523, 52.3),
		good(math.MaxUint64, -1), good(650, 25), good(123456, 44444160000), good(0x41cc0000, 25.5),
		good(0x400921fb54442d18, math.Pi),
		{Text: "1.4 \u00b5", Quality: fleet.Good},
		good(1, 1),
	}
	odd := append([]fleet.Value(nil), plain...)
	odd[0] = fleet.Value{}
	odd[1] = fleet.Value{Raw: 77, Number: 77, Quality: fleet.Undefined}
	odd[2] = fleet.Value{Raw: 0x8000, Quality: fleet.Absent}
	odd[3] = fleet.Value{Raw: 9999, Number: 999.9, Quality: fleet.Implausible}
	odd[5] = fleet.Value{Raw: 1, Number: 0.125, Quality: fleet.Good}
	odd[9] = fleet.Value{Quality: fleet.Unreadable}
	frame := func(second int, id fleet.ControllerID, values []fleet.Value) fleet.Frame {
		return fleet.Frame{
			Controller: id, At: noon.Add(time.Duration(second) * time.Second), Outcome: fleet.Answered,
			Late: -3, Took: 12345678, Layout: bench, Values: values,
		}
	}
	silent := fleet.Frame{Controller: "weir/low/birch", Group: fleet.Slow, At: noon.Add(time.Second), Outcome: fleet.Silent, Took: time.Second}
	early := reading("weir/low/cedar", time.Unix(-1, 0).UTC(), 501, 60)
	early.Group = fleet.Fast
	return []fleet.Frame{early, frame(0, "weir/low/alder", plain), frame(1, "weir/low/alder", odd), silent}
}

func goldenChanges() []fleet.Change {
	down := raised(noon, "link-down", "weir/low/alder>birch")
	over := raised(noon.Add(time.Minute), "controller-silent", "weir/low/cedar")
	gone := over
	gone.At, gone.From, gone.Alarm.State = noon.Add(time.Hour), fleet.Unacknowledged, fleet.AlarmNormal
	gone.Who, gone.Why = "kim", "replugged"
	return []fleet.Change{down, over, gone}
}

// What was written years ago must be readable for ever, and is taken over into the format of today.
func TestGoldenFormat1(t *testing.T) { checkGolden(t, golden1) }

func TestGoldenFormat2(t *testing.T) { checkFolded(t, checkGolden(t, golden2)) }

func TestGoldenFormat3(t *testing.T) {
	if flag.Lookup("update").Value.String() == "true" {
		writeGolden(t)
	}
	s := checkGolden(t, golden3)
	checkFolded(t, s)
	// Of these days there are no frames any more.
	for r, want := range map[store.Resolution]int{store.FiveMinutes: 3, store.Hour: 2, store.Day: 1} {
		got := rolled(t, s, droppedID, "watts", r)
		joules := 0.0 // 100 W for the 310 s that are joined
		for _, o := range got {
			joules += o.Total
		}
		if len(got) != want || joules != 31000 {
			t.Errorf("%v of the frames that were dropped: %+v, want %d with 31 kJ", r, got, want)
		}
	}
}

// The golden file has rollups of this controller, years ago, but its frames were dropped.
const droppedID = "weir/low/dale"

func droppedFrames() (frames []fleet.Frame) {
	for _, second := range []int{0, 10, 300, 310, 3600} {
		frames = append(frames, reading(droppedID, time.Unix(-1e8+int64(second), 0).UTC(), 480, 100))
	}
	return frames
}

// checkFolded looks at what the golden files have since format 2.
func checkFolded(t *testing.T, s *store.Store) {
	t.Helper()
	u, err := s.Usage(t.Context())
	if err != nil || u.Controllers[0].Folded != 2*len(bench.Points)+2 {
		t.Errorf("Usage() = %+v, %v; want the bench's values in a chunk", u, err)
	}
	if body, err := s.State(t.Context(), "detectors"); string(body) != "kept" || err != nil {
		t.Errorf("State() = %q, %v", body, err)
	}
	for e, err := range s.Entries(t.Context(), store.BookCalls, time.Time{}, time.Time{}) {
		if err != nil || e.Who != "kim" || string(e.Body) != "alder called float" || !e.At.Equal(noon) {
			t.Errorf("Entries() = %+v, %v", e, err)
		}
	}
	days := rolled(t, s, "weir/low/alder", "bank_voltage", store.Day)
	if len(days) != 1 || days[0].Count != 1 || days[0].Max != 13.4 {
		t.Errorf("Rollups() = %+v", days)
	}
}

// checkGolden opens a copy of a golden file, reads it, opens it for reading alone too, and appends to it.
func checkGolden(t *testing.T, golden string) *store.Store {
	t.Helper()
	b, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "golden.bbolt")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(goldenFrames(), allFrames(t, r, store.Query{}), append(sameFrames, bits)...); d != "" {
		t.Errorf("frames, opened for reading (-want +got):\n%s", d)
	}
	if got := rolled(t, r, "weir/low/alder", "bank_voltage", store.Hour); len(got) != 1 || got[0].Last != 13.4 {
		t.Errorf("Rollups() of a file that is open for reading = %+v", got)
	}
	if err := r.Verify(t.Context()); err != nil {
		t.Error(err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	s := storetest.OpenPath(t, path)
	if st, err := s.Stat(); st.Format != store.Format || err != nil {
		t.Errorf("Stat() = %+v, %v; want it in today's format", st, err)
	}
	if d := cmp.Diff(goldenFrames(), allFrames(t, s, store.Query{}), append(sameFrames, bits)...); d != "" {
		t.Errorf("frames (-want +got):\n%s", d)
	}
	var changes []fleet.Change
	for c, err := range s.Changes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		changes = append(changes, c)
	}
	if d := cmp.Diff(goldenChanges(), changes); d != "" {
		t.Errorf("changes (-want +got):\n%s", d)
	}
	standing, err := s.Standing(t.Context())
	if d := cmp.Diff([]fleet.Alarm{goldenChanges()[0].Alarm}, standing); d != "" || err != nil {
		t.Errorf("standing (-want +got), %v:\n%s", err, d)
	}
	// And it can be appended to.
	appendFrames(t, s, reading("weir/low/alder", noon.Add(time.Hour), 1, 1))
	if got := allFrames(t, s, store.Query{}); len(got) != len(goldenFrames())+1 {
		t.Errorf("%d frames after one more", len(got))
	}
	if err := s.Fold(t.Context(), noon.Add(48*time.Hour)); err != nil {
		t.Error(err)
	}
	return s
}

func writeGolden(t *testing.T) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "golden.db")
	s := storetest.OpenPath(t, path)
	appendFrames(t, s, append(droppedFrames(), goldenFrames()...)...)
	if err := s.PutChanges(t.Context(), goldenChanges()); err != nil {
		t.Fatal(err)
	}
	if err := s.Fold(t.Context(), noon.Add(48*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.DropBefore(t.Context(), store.KindRaw, time.Unix(-1e7, 0)); err != nil {
		t.Fatal(err)
	}
	entry := store.Entry{At: noon, Subject: "weir/low", Who: "kim", Body: []byte("alder called float")}
	if err := s.PutEntries(t.Context(), store.BookCalls, []store.Entry{entry}); err != nil {
		t.Fatal(err)
	}
	if err := s.PutState(t.Context(), "detectors", []byte("kept")); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(golden3, b, 0o644); err != nil {
		t.Fatal(err)
	}
}
