package notify

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"iter"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"ringwarden/fleet"
)

// testSecret is a signing secret.
var testSecret = secretPrefix + base64.StdEncoding.EncodeToString([]byte("thirty-two bytes of a bad secret"))

func signed(id string, at time.Time, signature string) http.Header {
	h := http.Header{}
	h.Set("webhook-id", id)
	h.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
	h.Set("webhook-signature", signature)
	return h
}

// secretFile writes a file that nobody else can read.
func secretFile(t testing.TB, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// mill returns a fleet of two sites in two zones, whose routes the caller adds.
func mill() *fleet.Fleet {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return &fleet.Fleet{Sites: []fleet.Site{
		{ID: "mill", Name: "Fernhollow Mill", Zone: dublin},
		{ID: "weir", Name: "Otter Weir", Zone: time.UTC},
	}}
}

// change returns a step of an alarm.
func change(at time.Time, key fleet.AlarmKey, priority fleet.Priority, from, to fleet.AlarmState) fleet.Change {
	return fleet.Change{At: at, From: from, Alarm: fleet.Alarm{
		AlarmKey: key, State: to, Priority: priority, Since: at.Add(-time.Minute), Raised: at,
		Text: "Fernhollow Mill: " + string(key.Kind) + " on " + string(key.Subject) + ".",
	}}
}

// A memory is a store that can fail. It is a Store.
type memory struct {
	mu      sync.Mutex
	dead    bool               // as after a kill: nothing is taken any more
	fail    func() (int, bool) // how the next commit fails; nil: it does not
	entries map[string][]byte
	changes []fleet.Change
}

// How a commit fails.
const (
	refusedIt = iota // nothing is stored
	storedIt         // everything is stored, and an error comes all the same
)

var errDisk = errors.New("the disk is full")

func (s *memory) commit(changes []fleet.Change, edits map[string][]byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dead {
		return errDisk
	}
	how, fails := 0, false
	if s.fail != nil {
		how, fails = s.fail()
	}
	if fails && how == refusedIt {
		return errDisk
	}
	s.changes = append(s.changes, changes...)
	for k, v := range edits {
		if v == nil {
			delete(s.entries, k)
		} else {
			s.entries[k] = slices.Clone(v)
		}
	}
	if fails {
		return errDisk
	}
	return nil
}

func (s *memory) PutChangesAndOutbox(_ context.Context, changes []fleet.Change, edits map[string][]byte) error {
	return s.commit(changes, edits)
}

func (s *memory) PutOutbox(_ context.Context, edits map[string][]byte) error {
	return s.commit(nil, edits)
}

func (s *memory) Outbox(context.Context, string) (map[string][]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.entries), nil
}

func (s *memory) Changes(_ context.Context, from, _ time.Time) iter.Seq2[fleet.Change, error] {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := slices.Clone(s.changes)
	return func(yield func(fleet.Change, error) bool) {
		for _, c := range all {
			if !c.At.Before(from) && !yield(c, nil) {
				return
			}
		}
	}
}

// after returns a store with what this one holds, as a restart finds it.
func (s *memory) after() *memory {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.dead = true
	return &memory{entries: maps.Clone(s.entries), changes: slices.Clone(s.changes)}
}

// A pipeNet is a network inside the process, so that a bubble's clock can run while its servers wait.
type pipeNet struct {
	conns chan net.Conn
	done  chan struct{}
}

func newPipeNet() *pipeNet { return &pipeNet{make(chan net.Conn), make(chan struct{})} }

func (n *pipeNet) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case n.conns <- theirs:
		return ours, nil
	case <-n.done:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (n *pipeNet) Accept() (net.Conn, error) {
	select {
	case c := <-n.conns:
		return c, nil
	case <-n.done:
		return nil, net.ErrClosed
	}
}

func (n *pipeNet) Close() error   { close(n.done); return nil }
func (n *pipeNet) Addr() net.Addr { return &net.TCPAddr{} }

// A receipt is one message as a webhook's server got it.
type receipt struct {
	id      string
	at      time.Time // when it came
	taken   bool      // the server said so
	signed  bool      // its signature is right
	payload payload
}

// A desktop is the server of a webhook. Answer says what it answers; nil: 204.
type desktop struct {
	mu     sync.Mutex
	got    []receipt
	answer func(r *receipt) int
}

func (d *desktop) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	key, _ := parseSecret(testSecret)
	stamp, _ := strconv.ParseInt(r.Header.Get("webhook-timestamp"), 10, 64)
	it := receipt{id: r.Header.Get("webhook-id"), at: time.Now()}
	it.signed = sign(key, it.id, time.Unix(stamp, 0), body) == r.Header.Get("webhook-signature") && stamp == it.at.Unix()
	_ = json.Unmarshal(body, &it.payload)
	d.mu.Lock()
	status := http.StatusNoContent
	if d.answer != nil {
		status = d.answer(&it)
	}
	it.taken = status >= 200 && status < 300
	d.got = append(d.got, it)
	d.mu.Unlock()
	w.WriteHeader(status)
}

func (d *desktop) receipts() []receipt {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.got)
}

// serve lets a handler answer on a network of pipes until the test ends.
func serve(t *testing.T, h http.Handler) *pipeNet {
	t.Helper()
	n := newPipeNet()
	server := &http.Server{Handler: h}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(n) }()
	t.Cleanup(func() { _ = server.Close(); <-done })
	return n
}

// run runs a desk and returns what ends it.
func run(t *testing.T, d *Desk) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = d.Run(ctx) }()
	return func() { cancel(); <-done }
}

func open(t *testing.T, f *fleet.Fleet, s Store, o Options) *Desk {
	t.Helper()
	d, err := Open(t.Context(), f, s, time.Now(), o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}
