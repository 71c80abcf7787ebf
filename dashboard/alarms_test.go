package dashboard_test

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

func alarm(kind, subject string, state fleet.AlarmState, p fleet.Priority, since time.Time) fleet.Alarm {
	return fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: fleet.Kind(kind), Subject: fleet.Subject(subject)}, State: state, Priority: p,
		Since: since, Raised: since.Add(time.Minute), Text: "text of " + kind,
	}
}

// client returns a client of a handler that nobody has to log in to.
func client(t *testing.T, h http.Handler) *dashboard.Client {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	c, err := dashboard.NewClient(s.URL, dashboard.ClientOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// What a command shows must be what the daemon holds, whatever is in it.
func TestClientReadsWhatTheDaemonHolds(t *testing.T) {
	full := alarm("link-down", "mill/north/alder>birch", fleet.Unacknowledged, fleet.High, noon.Add(-time.Hour))
	full.Until = noon.Add(time.Hour)
	full.Advice, full.Caution = "look at the cable", `a faulted array can be live <& "so">`
	full.Figures = []fleet.Figure{{Name: "frames", Value: 0.1, Unit: fleet.Plain}, {Name: "volts", Value: math.NaN(), Unit: fleet.Volt}, {Name: "far", Value: -1e300, Unit: fleet.Volt}}
	b := &book{standing: []fleet.Alarm{full}}
	for i, state := range fleet.AlarmStates {
		a := alarm("stage-split", "mill/north/cedar", state, fleet.Priorities[i%3], noon.Add(-time.Duration(i)*time.Minute))
		b.changes = append(b.changes, fleet.Change{At: noon.Add(time.Duration(i-10) * time.Hour), From: fleet.AlarmNormal, Alarm: a, Who: "eve", Why: "seen"})
	}
	c := client(t, dashboard.New(options(b)))
	standing, err := c.Standing(t.Context())
	if diff := cmp.Diff(b.standing, standing, cmpopts.EquateNaNs()); err != nil || diff != "" {
		t.Errorf("standing: %v\n%s", err, diff)
	}
	changes, err := c.Changes(t.Context(), noon.Add(-8*time.Hour), noon.Add(-5*time.Hour))
	if diff := cmp.Diff(b.changes[2:5], changes, cmpopts.EquateNaNs()); err != nil || diff != "" {
		t.Errorf("changes: %v\n%s", err, diff)
	}
}

// A client without zones of its own compares texts; instants are UTC whatever the daemon's machine says.
func TestInstantsAreUTC(t *testing.T) {
	zone := time.FixedZone("east", 3600)
	b := &book{standing: []fleet.Alarm{alarm("a", "s", fleet.Unacknowledged, fleet.Low, noon.In(zone))}}
	_, body := get(t, dashboard.New(options(b)), "/api/v1/alarms")
	if !strings.Contains(body, `"since":"2026-03-01T12:00:00Z"`) {
		t.Errorf("no UTC instant in %s", body)
	}
}

func TestMostUrgentFirst(t *testing.T) {
	b := &book{standing: []fleet.Alarm{
		alarm("e", "s", fleet.Suppressed, fleet.High, noon.Add(-9*time.Hour)),
		alarm("d", "s", fleet.Unacknowledged, fleet.Low, noon.Add(-8*time.Hour)),
		alarm("c", "s", fleet.Acknowledged, fleet.High, noon.Add(-time.Hour)),
		alarm("b", "s", fleet.Unacknowledged, fleet.High, noon.Add(-2*time.Hour)),
	}}
	_, body := get(t, dashboard.New(options(b)), "/api/v1/alarms")
	var answer struct{ Standing []struct{ Kind string } }
	if err := json.Unmarshal([]byte(body), &answer); err != nil {
		t.Fatal(err)
	}
	got := ""
	for _, a := range answer.Standing {
		got += a.Kind
	}
	if got != "bcde" {
		t.Errorf("order is %s, want bcde: active, then priority, then age", got)
	}
	if b.standing[0].Kind != "e" {
		t.Error("the source's own list was sorted")
	}
}

func TestPast(t *testing.T) {
	b := &book{}
	for _, ago := range []time.Duration{72 * time.Hour, 24 * time.Hour, 2 * time.Hour, 0} {
		b.changes = append(b.changes, fleet.Change{At: noon.Add(-ago), Alarm: alarm("a", "s", fleet.Unacknowledged, fleet.Low, noon)})
	}
	h := dashboard.New(options(b))
	for query, want := range map[string]int{
		"": 0, "?past=0s": 1, "?past=2h": 2, "?past=119m": 1, "?past=1d": 3, "?past=30d": 4,
		"?past=2026-02-28T12:00:00Z": 3, "?past=2026-02-28T13:00:01%2B01:00": 2, "?past=2027-01-01T00:00:00Z": 0,
	} {
		answer, body := get(t, h, "/api/v1/alarms"+query)
		var v struct{ Changes []any }
		if err := json.Unmarshal([]byte(body), &v); err != nil || answer.Code != http.StatusOK || len(v.Changes) != want {
			t.Errorf("%s: %d with %d changes (%v), want %d", query, answer.Code, len(v.Changes), err, want)
		}
	}
	for _, query := range []string{"?past=", "?past=yesterday", "?past=-2h", "?past=2026-02-30T00:00:00Z", "?past=9999999d", "?past=24"} {
		answer, body := get(t, h, "/api/v1/alarms"+query)
		wantProblem(t, answer, body, http.StatusBadRequest, "past")
	}
}

// More changes than one answer holds: the newest are given, in order, and the rest is counted, not hidden.
func TestNewestChangesAreKept(t *testing.T) {
	const all, most = 23_456, 10_000
	b := &book{}
	for i := range all {
		b.changes = append(b.changes, fleet.Change{At: noon.Add(time.Duration(i-all) * time.Second), Alarm: alarm("a", "s", fleet.Unacknowledged, fleet.Low, noon)})
	}
	h := dashboard.New(options(b))
	_, body := get(t, h, "/api/v1/alarms?past=30d")
	var v struct {
		Changes []struct{ At time.Time }
		Omitted int
	}
	if err := json.Unmarshal([]byte(body), &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Changes) != most || v.Omitted != all-most {
		t.Fatalf("%d changes and %d omitted, want %d and %d", len(v.Changes), v.Omitted, most, all-most)
	}
	for i, c := range v.Changes {
		if want := b.changes[all-most+i].At; !c.At.Equal(want) {
			t.Fatalf("change %d is of %v, want %v", i, c.At, want)
		}
	}
	if _, err := client(t, h).Changes(t.Context(), noon.AddDate(0, 0, -30), noon); err == nil || !strings.Contains(err.Error(), "23456 changes") {
		t.Errorf("the client must not show a list with a hole; got %v", err)
	}
}

func TestStoreTrouble(t *testing.T) {
	b := &book{err: errors.New("page 7 is damaged")}
	answer, body := get(t, dashboard.New(options(b)), "/api/v1/alarms")
	wantProblem(t, answer, body, http.StatusInternalServerError, "page 7 is damaged")
	c := client(t, dashboard.New(options(b)))
	if _, err := c.Standing(t.Context()); err == nil || !strings.Contains(err.Error(), "page 7 is damaged") {
		t.Errorf("the client says %v; the daemon's own words are missing", err)
	}
}

// Another program on the port, or a daemon of another version, must not pass for "no alarm stands".
func TestClientDistrustsStrangers(t *testing.T) {
	reply := func(status int, kind, body string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			w.WriteHeader(status)
			_, _ = w.Write([]byte(body)) // the test's own server
		})
	}
	const whole = `{"at":"2026-03-01T12:00:00Z","standing":[{"kind":"a","subject":"s","state":"STATE","priority":"PRIO"}]}`
	tests := []struct {
		name, want string
		h          http.Handler
	}{
		{"a page", "is not ringwarden", reply(200, "text/html", "<p>hello")},
		{"other json", "is not ringwarden", reply(200, "application/json", `{"status":"ok"}`)},
		{"json cut off", "is not ringwarden", reply(200, "application/json", `{"standing":[`)},
		{"empty problem", "is not ringwarden", reply(500, "application/problem+json", `{}`)},
		{"a newer state", "same version", reply(200, "application/json", strings.NewReplacer("STATE", "snoozed", "PRIO", "low").Replace(whole))},
		{"a newer priority", "same version", reply(200, "application/json", strings.NewReplacer("STATE", "normal", "PRIO", "urgent").Replace(whole))},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := client(t, tt.h)
			if _, err := c.Standing(t.Context()); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error is %v, want one with %q", err, tt.want)
			}
		})
	}
}
