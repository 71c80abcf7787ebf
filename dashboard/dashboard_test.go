package dashboard_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// A book is a source of alarms that a test fills in.
type book struct {
	standing []fleet.Alarm
	changes  []fleet.Change
	err      error
	gate     chan struct{} // Standing waits for it to be closed
	entered  chan struct{} // Standing says that it waits
}

func (b *book) Standing(context.Context) ([]fleet.Alarm, error) {
	if b.gate != nil {
		b.entered <- struct{}{}
		<-b.gate
	}
	return append([]fleet.Alarm(nil), b.standing...), b.err
}

func (b *book) Changes(_ context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return func(yield func(fleet.Change, error) bool) {
		for _, c := range b.changes {
			if !c.At.Before(from) && c.At.Before(to) && !yield(c, nil) {
				return
			}
		}
		if b.err != nil {
			yield(fleet.Change{}, b.err)
		}
	}
}

func options(b *book) dashboard.Options {
	return dashboard.Options{Alarms: b, Now: func() time.Time { return noon }}
}

// get asks a handler as a client on the same machine does.
func get(t *testing.T, h http.Handler, path string) (*httptest.ResponseRecorder, string) {
	t.Helper()
	return ask(t, h, httptest.NewRequest(http.MethodGet, "http://localhost:27464"+path, nil))
}

func ask(t *testing.T, h http.Handler, r *http.Request) (*httptest.ResponseRecorder, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w, w.Body.String()
}

// wantProblem checks that an error is a problem detail: RFC 9457, section 3 (media type, members), and 4.2.1
// (about:blank: the title is the status's own phrase).
func wantProblem(t *testing.T, answer *httptest.ResponseRecorder, body string, status int, detail string) {
	t.Helper()
	if answer.Code != status {
		t.Errorf("status is %d, want %d", answer.Code, status)
	}
	if got := answer.Header().Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("content type is %q", got)
	}
	var p struct {
		Type, Title, Detail string
		Status              int
	}
	if err := json.Unmarshal([]byte(body), &p); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	if p.Type != "about:blank" || p.Title != http.StatusText(status) || p.Status != status || !strings.Contains(p.Detail, detail) {
		t.Errorf("problem is %+v, want status %d and a detail with %q", p, status, detail)
	}
}

func TestDoors(t *testing.T) {
	o := options(&book{})
	o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "up 1\n") })
	h := dashboard.New(o)
	for path, want := range map[string]string{
		"/": "No site is being watched", "/healthz": "lives\n", "/readyz": "polls and stores\n", "/metrics": "up 1\n",
		"/api/v1/alarms": `{"at":"2026-03-01T12:00:00Z","standing":[]}`,
	} {
		answer, body := get(t, h, path)
		if answer.Code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("GET %s: %d %q, want %q in it", path, answer.Code, body, want)
		}
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin",
			"Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'", "Access-Control-Allow-Origin": "",
		} {
			if got := answer.Header().Get(name); got != want {
				t.Errorf("GET %s: %s is %q, want %q", path, name, got, want)
			}
		}
	}
	answer, body := get(t, h, "/nowhere")
	wantProblem(t, answer, body, http.StatusNotFound, "/nowhere")
	answer, body = get(t, dashboard.New(options(&book{})), "/metrics")
	wantProblem(t, answer, body, http.StatusNotFound, "/metrics")
}

func TestNothingCanBeChanged(t *testing.T) {
	h := dashboard.New(options(&book{}))
	for _, method := range []string{"POST", "PUT", "PATCH", "DELETE", "OPTIONS", "CONNECT", "TRACE"} {
		answer, body := ask(t, h, httptest.NewRequest(method, "http://localhost/api/v1/alarms", nil))
		wantProblem(t, answer, body, http.StatusMethodNotAllowed, "GET")
		if got := answer.Header().Get("Allow"); got != "GET, HEAD" {
			t.Errorf("%s: Allow is %q", method, got)
		}
	}
}

func TestNotReady(t *testing.T) {
	o := options(&book{})
	o.Ready = func() error { return errors.New("the store is full") }
	h := dashboard.New(o)
	answer, body := get(t, h, "/readyz")
	wantProblem(t, answer, body, http.StatusServiceUnavailable, "the store is full")
	if answer, _ := get(t, h, "/healthz"); answer.Code != http.StatusOK {
		t.Errorf("a daemon that is not ready still lives; /healthz said %d", answer.Code)
	}
}

// A page that a browser loaded from elsewhere must not read the daemon under a name of its own (DNS rebinding).
func TestHostHeader(t *testing.T) {
	tests := []struct {
		host string
		ok   bool
	}{
		{"localhost", true},
		{"localhost:27464", true},
		{"LocalHost:1", true},
		{"127.0.0.1", true},
		{"127.0.0.1:27464", true},
		{"127.9.9.9", true},
		{"[::1]:27464", true},
		{"[::1]", true},
		{"[::ffff:127.0.0.1]:80", true},
		{"rebind.example", false},
		{"localhost.rebind.example", false},
		{"127.0.0.1.rebind.example:27464", false},
		{"192.168.4.2:27464", false},
		{"0.0.0.0:27464", false},
		{"", false},
		{":27464", false},
		{"localhost:1:2", false},
	}
	for _, tt := range tests {
		r := httptest.NewRequest(http.MethodGet, "http://localhost/healthz", nil)
		r.Host = tt.host
		answer, body := ask(t, dashboard.New(options(&book{})), r)
		if tt.ok && answer.Code != http.StatusOK {
			t.Errorf("host %q: %d %s", tt.host, answer.Code, body)
		}
		if !tt.ok {
			wantProblem(t, answer, body, http.StatusMisdirectedRequest, "localhost")
		}
		o := options(&book{})
		o.Exposed = true // only whoever logs in is let in there, but for this
		if answer, _ := ask(t, dashboard.New(o), r); answer.Code != http.StatusOK {
			t.Errorf("exposed, host %q: %d, want it served", tt.host, answer.Code)
		}
	}
}

// When too many ask at once, the daemon says so instead of holding ever more answers.
func TestTooManyRequests(t *testing.T) {
	b := &book{gate: make(chan struct{}), entered: make(chan struct{})}
	h := dashboard.New(options(b))
	const most = 32
	codes := make(chan int, most)
	for range most {
		go func() {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://localhost/api/v1/alarms", nil))
			codes <- w.Code
		}()
	}
	for range most {
		<-b.entered
	}
	answer, body := get(t, h, "/healthz")
	wantProblem(t, answer, body, http.StatusServiceUnavailable, "too many")
	if got := answer.Header().Get("Retry-After"); got != "1" {
		t.Errorf("Retry-After is %q", got)
	}
	close(b.gate)
	for range most {
		if code := <-codes; code != http.StatusOK {
			t.Errorf("a request that was let in got %d", code)
		}
	}
	if answer, _ := get(t, h, "/healthz"); answer.Code != http.StatusOK {
		t.Errorf("after the crowd: %d, want 200", answer.Code)
	}
}
