package door_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/export"
	"ringwarden/store/storetest"
)

var noon = time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)

var small = fleet.NewLayout([]fleet.Point{
	{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
	{Name: "watts", Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16},
})

const alder = fleet.ControllerID("mill/north/alder")

// A house is a daemon as far as its doors go, and its store.
type house struct {
	store  *store.Store
	path   string
	client *door.Client
}

func open(t *testing.T) *house {
	t.Helper()
	h := &house{path: filepath.Join(t.TempDir(), "r.db")}
	h.store = storetest.OpenPath(t, h.path)
	frames := make([]fleet.Frame, 0, 8640)
	for i := range cap(frames) {
		frames = append(frames, fleet.Frame{
			Controller: alder, At: noon.Add(time.Duration(i) * 10 * time.Second), Outcome: fleet.Answered, Layout: small,
			Values: []fleet.Value{
				{Raw: uint64(480 + i%50), Number: small.Points[0].Number(uint64(480 + i%50)), Quality: fleet.Good},
				{Raw: uint64(i), Number: float64(i), Quality: fleet.Good},
			},
		})
	}
	if err := h.store.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
	h.run(t)
	h.client = door.NewClient(h.path, "kim")
	return h
}

// run opens the door until the test ends, or until the returned function is called.
func (h *house) run(t *testing.T) (stop func()) {
	t.Helper()
	l, err := door.Listen(h.path)
	if err != nil {
		t.Fatal(err)
	}
	rest := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "the rest") })
	d := door.New(door.Options{Store: h.store, Path: h.path, Rest: rest, Logger: slog.New(slog.DiscardHandler)})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := d.Run(ctx, l); err != nil {
			t.Errorf("Run() = %v", err)
		}
	}()
	stop = func() { cancel(); <-done }
	t.Cleanup(stop)
	return stop
}

func beside(t *testing.T, path, pattern string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(filepath.Dir(path), pattern))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// The doors' answers are those that the store itself gives.
func TestAnswers(t *testing.T) {
	h := open(t)
	got, err := h.client.Stat(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want, err := door.Take(t.Context(), h.store)
	if d := cmp.Diff(want, got); err != nil || d != "" {
		t.Errorf("Stat(), %v (-store +client):\n%s", err, d)
	}
	day := store.Hour
	for _, q := range []export.Query{
		{Format: export.CSV},
		{Format: export.Parquet},
		{Format: export.CSV, Points: []string{"output.power"}, From: noon.Add(time.Hour), To: noon.Add(2 * time.Hour)},
		{Format: export.CSV, Controllers: []fleet.ControllerID{alder}, Rollups: &day},
	} {
		var through, direct bytes.Buffer
		if _, err := h.client.Export(t.Context(), &through, q, nil); err != nil {
			t.Fatal(err)
		}
		rows, err := export.Write(t.Context(), &direct, h.store, q, nil)
		if err != nil || rows == 0 || !bytes.Equal(through.Bytes(), direct.Bytes()) {
			t.Errorf("%+v: %d bytes through the door, %d rows of %d bytes from the store, %v", q, through.Len(), rows, direct.Len(), err)
		}
	}
	note := fleet.Note{At: noon, Subject: "mill/north", Who: "kim", Text: "swapped cables 2 and 5"}
	if err := h.client.PutNote(t.Context(), note); err != nil {
		t.Fatal(err)
	}
	for to, want := range map[time.Time][]fleet.Note{{}: {note}, noon: nil, noon.Add(1): {note}} {
		var notes []fleet.Note
		for n, err := range h.client.Notes(t.Context(), noon, to) {
			if err != nil {
				t.Fatal(err)
			}
			notes = append(notes, n)
		}
		if d := cmp.Diff(want, notes); d != "" {
			t.Errorf("Notes() up to %s (-want +got):\n%s", to, d)
		}
	}
	if err := h.client.PutNote(t.Context(), fleet.Note{At: noon}); err == nil || !strings.Contains(err.Error(), "a note without text") {
		t.Errorf("PutNote() of nothing = %v", err)
	}
	web := http.Client{Transport: door.Transport(h.path, "kim")}
	a, err := web.Get("http://localhost/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	if body, err := io.ReadAll(a.Body); err != nil || string(body) != "the rest" {
		t.Errorf("another path gave %q, %v", body, err)
	}
}

// A backup that is interrupted again and again goes on where it stopped, and in the end is the copy of one instant,
// though the store is written to all the while.
func TestBackupGoesOn(t *testing.T) {
	h := open(t)
	to := filepath.Join(t.TempDir(), "b.db")
	interruptions, began := 0, int64(-1)
	for {
		ctx, cancel := context.WithCancel(t.Context())
		first := int64(-1)
		part, size, err := h.client.Fetch(ctx, to, func(done, total int64) {
			if first < 0 {
				first = done
			}
			if done < total {
				cancel()
			}
		})
		cancel()
		if first <= began {
			t.Fatalf("it began again: %d bytes after its first piece, %d before", first, began)
		}
		began = first
		if err == nil {
			if err := store.Place(part, to); err != nil {
				t.Fatal(err)
			}
			st, err := store.VerifyFile(t.Context(), to, nil)
			if err != nil || st.Size != size || !st.Newest.Equal(noon.Add(8639*10*time.Second)) {
				t.Errorf("the backup of %d bytes: %+v, %v", size, st, err)
			}
			break
		}
		if !strings.Contains(err.Error(), "the same command goes on from them") || !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		interruptions++
		late := fleet.Frame{Controller: alder, At: noon.AddDate(0, 1, interruptions), Outcome: fleet.Silent}
		if err := h.store.Append(t.Context(), []fleet.Frame{late}); err != nil {
			t.Fatal(err)
		}
	}
	if left := beside(t, to, "*.part"); interruptions == 0 || len(left) != 0 {
		t.Errorf("after %d interruptions %v is left", interruptions, left)
	}
	if copies := beside(t, h.path, "*.copy-*"); len(copies) != 0 {
		t.Errorf("beside the store lie %v, though all was fetched", copies)
	}
}

// What was begun of a copy that the daemon keeps no more is begun again; a file that is there is never written over.
func TestBackupBeginsAgain(t *testing.T) {
	h := open(t)
	to := filepath.Join(t.TempDir(), "b.db")
	if err := os.WriteFile(to+".GONE.part", []byte("of another day"), 0o600); err != nil {
		t.Fatal(err)
	}
	part, _, err := h.client.Fetch(t.Context(), to, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Place(part, to); err != nil {
		t.Fatal(err)
	}
	if _, err := store.VerifyFile(t.Context(), to, nil); err != nil || len(beside(t, to, "*")) != 1 {
		t.Errorf("VerifyFile() = %v; the folder holds %v", err, beside(t, to, "*"))
	}
	before, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = h.client.Fetch(t.Context(), to, nil)
	after, readErr := os.ReadFile(to)
	if !errors.Is(err, fs.ErrExist) || readErr != nil || !bytes.Equal(before, after) {
		t.Errorf("Fetch() over a file = %v, %v", err, readErr)
	}
}

// When the daemon ends, and when it begins after it was killed, no copy is left beside its store.
func TestCopiesAreRemoved(t *testing.T) {
	h := open(t)
	stale := h.path + ".copy-OLD"
	if err := os.WriteFile(stale, []byte("left by a power cut"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	if _, _, err := h.client.Fetch(ctx, filepath.Join(t.TempDir(), "b.db"), func(int64, int64) { cancel() }); err == nil {
		t.Fatal("it was not stopped")
	}
	h.run(t)()
	if left := beside(t, h.path, "*.copy-*"); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// What damage has left out of an export is told with it.
func TestAnExportTellsOfDamage(t *testing.T) {
	whole := open(t)
	if damaged, err := whole.client.Export(t.Context(), io.Discard, export.Query{Format: export.CSV}, nil); err != nil || damaged {
		t.Errorf("a whole store: %v, %v", damaged, err)
	}
	h := &house{path: filepath.Join(t.TempDir(), "spoilt.db")}
	if _, err := whole.store.Copy(t.Context(), h.path, nil); err != nil {
		t.Fatal(err)
	}
	db, err := bbolt.Open(h.path, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte("journal"))
		k, v := b.Cursor().First()
		return b.Put(k, append(bytes.Clone(v[:len(v)-1]), v[len(v)-1]^1))
	})
	if err = errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	if h.store, err = store.Open(h.path, store.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.store.Close() })
	h.run(t)
	damaged, err := door.NewClient(h.path, "kim").Export(t.Context(), io.Discard, export.Query{Format: export.CSV}, nil)
	if err != nil || !damaged {
		t.Errorf("a store with a damaged record: %v, %v", damaged, err)
	}
}

// An export that ends by an error in the middle must not look whole to the command that asked for it.
func TestAnExportThatIsCutIsAnError(t *testing.T) {
	h := open(t)
	_, err := h.client.Export(t.Context(), &closer{h.store, 0}, export.Query{Format: export.CSV}, nil)
	if err == nil {
		t.Error("the store was closed in the middle of an export, and it looks whole")
	}
}

// closer closes the store once the first bytes are there.
type closer struct {
	s *store.Store
	n int
}

func (c *closer) Write(b []byte) (int, error) {
	if c.n += len(b); c.n > 1000 {
		_ = c.s.Close() // again and again, which does nothing
	}
	return len(b), nil
}
