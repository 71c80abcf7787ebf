package notify_test

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"ringwarden/alerts/notify"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// These tell a copy of the test program to raise alarms in a store until it is killed, and to tell a webhook of them.
const (
	killStore  = "RINGWARDEN_NOTIFY_STORE"
	killURL    = "RINGWARDEN_NOTIFY_URL"
	killSecret = "RINGWARDEN_NOTIFY_SECRET"
	killUntil  = "RINGWARDEN_NOTIFY_UNTIL" // raise none, and end when nothing waits
)

func TestMain(m *testing.M) {
	if path := os.Getenv(killStore); path != "" {
		if err := raiseForEver(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// raiseForEver says on standard output which alarms the store has acknowledged.
func raiseForEver(path string) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	s, err := store.Open(path, store.Options{})
	if err != nil {
		return err
	}
	f := &fleet.Fleet{Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC}}, Notify: fleet.Notify{
		Webhooks: []fleet.Webhook{{Name: "desk", URL: os.Getenv(killURL), SecretFile: os.Getenv(killSecret)}},
		Routes:   []fleet.Route{{To: []string{"desk"}}},
	}}
	desk, err := notify.Open(ctx, f, s, time.Now(), notify.Options{})
	if err != nil {
		return err
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = desk.Run(ctx) }()
	defer func() { cancel(); <-done; _ = s.Close() }()
	if os.Getenv(killUntil) != "" {
		for desk.Health()[0].Waiting > 0 {
			time.Sleep(10 * time.Millisecond) // in a program of its own; the test waits for its end
		}
		return nil
	}
	fmt.Println(-1)
	for n := 0; ; n++ {
		for desk.Health()[0].Waiting >= 50 { // many more would be a digest that is full, which leaves out by intention
			time.Sleep(time.Millisecond)
		}
		// Hours apart, so that no flood gathers them.
		at := time.Unix(0, time.Now().UnixNano()).UTC().Add(time.Duration(n) * time.Hour)
		id := strconv.FormatInt(at.UnixNano(), 10)
		err := desk.PutChanges(ctx, []fleet.Change{{At: at, Alarm: fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject("mill/north/" + id)}, State: fleet.Unacknowledged,
			Priority: fleet.High, Since: at, Raised: at, Text: "Mill: " + id,
		}}})
		if err != nil {
			return err
		}
		fmt.Println(id)
	}
}

// A receiver counts under which keys each alarm came. One answer in forty is an error, although the post was taken.
type receiver struct {
	mu   sync.Mutex
	n    int
	keys map[string]map[string]int // by alarm, by key
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	var body struct {
		Data struct{ Alarms []struct{ Subject string } }
	}
	if err := json.NewDecoder(q.Body).Decode(&body); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, a := range body.Data.Alarms {
		if r.keys[a.Subject] == nil {
			r.keys[a.Subject] = map[string]int{}
		}
		r.keys[a.Subject][q.Header.Get("webhook-id")]++
	}
	if r.n++; r.n%40 == 0 {
		w.WriteHeader(http.StatusInternalServerError)
	}
}

// The program is killed at any moment, six times: between the commit and the post, between the post and its receipt,
// between the receipt and the note of it. Each alarm that the store acknowledged is told, under one key however often.
func TestKilledInMidSending(t *testing.T) {
	r := &receiver{keys: map[string]map[string]int{}}
	server := httptest.NewServer(r)
	defer server.Close()
	dir := t.TempDir()
	path, secret := filepath.Join(dir, "ringwarden.db"), filepath.Join(dir, "secret")
	key := "whsec_" + base64.StdEncoding.EncodeToString([]byte("thirty-two bytes of a bad secret"))
	if err := os.WriteFile(secret, []byte(key), 0o600); err != nil {
		t.Fatal(err)
	}
	env := append(os.Environ(), killStore+"="+path, killURL+"="+server.URL, killSecret+"="+secret)
	var acknowledged []string
	for range 6 {
		acknowledged = append(acknowledged, raiseAndKill(t, env, 20*time.Millisecond+rand.N(150*time.Millisecond))...)
		storetest.Check(t, path)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Second)
	defer cancel()
	last := exec.CommandContext(ctx, os.Args[0], "-test.run=^$")
	last.Env = append(env, killUntil+"=nothing waits")
	if out, err := last.CombinedOutput(); err != nil {
		t.Fatalf("the last run: %v\n%s", err, out)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	again := 0
	for _, id := range acknowledged {
		switch keys := r.keys["mill/north/"+id]; len(keys) {
		case 1:
			for _, n := range keys {
				again += n - 1
			}
		case 0:
			t.Errorf("%s was acknowledged and never told", id)
		default:
			t.Errorf("%s was told under %d keys", id, len(keys))
		}
	}
	if len(acknowledged) < 6 { // a slow disk commits few
		t.Errorf("only %d alarms were raised", len(acknowledged))
	}
	t.Logf("%d alarms acknowledged, %d told, %d repetitions", len(acknowledged), len(r.keys), again)
}

// raiseAndKill lets a child raise alarms, kills it some time after it began, and returns those that it acknowledged.
func raiseAndKill(t *testing.T, env []string, after time.Duration) []string {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^$")
	child.Env, child.Stderr = env, os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if lines.Text() == "-1" {
			kill := time.AfterFunc(after, func() { _ = child.Process.Kill() })
			defer kill.Stop()
			continue
		}
		ids = append(ids, lines.Text())
	}
	if err := child.Wait(); child.ProcessState.Exited() {
		t.Fatalf("the child ended with %v before it was killed", err)
	}
	return ids
}
