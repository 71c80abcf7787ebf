package door_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

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
	server *httptest.Server
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
	d := door.New(h.store, h.path, slog.New(slog.DiscardHandler))
	rest := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "the rest") })
	h.server = httptest.NewServer(d.Before(rest))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { d.Run(ctx); close(done) }()
	t.Cleanup(func() { h.server.Close(); cancel(); <-done })
	h.client = door.NewClient(strings.TrimPrefix(h.server.URL, "http://"))
	return h
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
		if _, err := h.client.Export(t.Context(), &through, q); err != nil {
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
	notes, err := h.client.Notes(t.Context(), noon)
	if d := cmp.Diff([]fleet.Note{note}, notes); err != nil || d != "" {
		t.Errorf("Notes(), %v (-want +got):\n%s", err, d)
	}
	if err := h.client.PutNote(t.Context(), fleet.Note{At: noon}); err == nil || !strings.Contains(err.Error(), "a note without text") {
		t.Errorf("PutNote() of nothing = %v", err)
	}
	a, err := http.Get(h.server.URL + "/metrics")
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
		size, err := h.client.Backup(ctx, to, func(done, total int64) {
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
			st, err := store.VerifyFile(t.Context(), to)
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
	if copies := beside(t, h.path, "*.copy-*"); len(copies) != 1 {
		t.Errorf("beside the store lie %v, want the one copy until it is old", copies)
	}
}

// What was begun of a copy that the daemon keeps no more is begun again; a file that is there is never written over.
func TestBackupBeginsAgain(t *testing.T) {
	h := open(t)
	to := filepath.Join(t.TempDir(), "b.db")
	if err := os.WriteFile(to+".GONE.part", []byte("of another day"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := h.client.Backup(t.Context(), to, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := store.VerifyFile(t.Context(), to); err != nil || len(beside(t, to, "*")) != 1 {
		t.Errorf("VerifyFile() = %v; the folder holds %v", err, beside(t, to, "*"))
	}
	before, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.client.Backup(t.Context(), to, nil)
	after, readErr := os.ReadFile(to)
	if !errors.Is(err, fs.ErrExist) || readErr != nil || !bytes.Equal(before, after) {
		t.Errorf("Backup() over a file = %v, %v", err, readErr)
	}
}

// When the daemon ends, and when it begins after it was killed, no copy is left beside its store.
func TestCopiesAreRemoved(t *testing.T) {
	h := open(t)
	stale := h.path + ".copy-OLD"
	if err := os.WriteFile(stale, []byte("left by a power cut"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := h.client.Backup(t.Context(), filepath.Join(t.TempDir(), "b.db"), nil); err != nil {
		t.Fatal(err)
	}
	d := door.New(h.store, h.path, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	d.Run(ctx)
	if left := beside(t, h.path, "*.copy-*"); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// The doors are for commands on this machine: not for web pages, other machines' requests that a proxy passes on, nor
// names that somebody's name server points here.
func TestOthersAreRefused(t *testing.T) {
	h := open(t)
	try := func(method, path string, change func(r *http.Request)) int {
		r, err := http.NewRequestWithContext(t.Context(), method, h.server.URL+path, strings.NewReader(`{"at":"2026-06-21T12:00:00Z","text":"x"}`))
		if err != nil {
			t.Fatal(err)
		}
		change(r)
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		return a.StatusCode
	}
	for name, change := range map[string]func(r *http.Request){
		"a web page":         func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"a page of our own":  func(r *http.Request) { r.Header.Set("Origin", h.server.URL) },
		"a foreign name":     func(r *http.Request) { r.Host = "weir.example" },
		"a proxy":            func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.0.2.7") },
		"a proxy of RFC7239": func(r *http.Request) { r.Header.Set("Forwarded", "for=192.0.2.7") },
	} {
		if got := try(http.MethodPost, "/api/v1/notes", change); got != http.StatusForbidden {
			t.Errorf("%s may write a note: %d", name, got)
		}
	}
	for _, path := range []string{"/api/v1/store", "/api/v1/store/backup", "/api/v1/export?format=csv", "/api/v1/notes"} {
		if got := try(http.MethodGet, path, func(r *http.Request) { r.Host = "weir.example" }); got != http.StatusForbidden {
			t.Errorf("%s by a foreign name: %d", path, got)
		}
	}
	if got := try(http.MethodPost, "/api/v1/notes", func(*http.Request) {}); got != http.StatusCreated {
		t.Errorf("a command may not write a note: %d", got)
	}
	d := door.New(h.store, h.path, slog.New(slog.DiscardHandler))
	for remote, want := range map[string]int{"192.0.2.7:4000": http.StatusForbidden, "127.0.0.1:4000": http.StatusOK, "198.51.100.4:4000": http.StatusOK} {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/notes", nil)
		r.RemoteAddr, r.Host = remote, "198.51.100.4:27464"
		local := &net.TCPAddr{IP: net.IPv4(198, 51, 100, 4), Port: 27464}
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(local)))
		w := httptest.NewRecorder()
		d.Before(http.NotFoundHandler()).ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("from %s to 198.51.100.4: %d, want %d", remote, w.Code, want)
		}
	}
}

// An export that ends by an error in the middle must not look whole to the command that asked for it.
func TestAnExportThatIsCutIsAnError(t *testing.T) {
	h := open(t)
	_, err := h.client.Export(t.Context(), &closer{h.store, 0}, export.Query{Format: export.CSV})
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
