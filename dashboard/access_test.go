package dashboard_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

// webConfig writes a web configuration with two users, maren and wall, whose passwords are their names backwards.
func webConfig(t *testing.T, more string) string {
	t.Helper()
	text := more + "basic_auth_users:\n"
	for name, password := range map[string]string{"maren": "neram", "wall": "llaw"} {
		hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
		if err != nil {
			t.Fatal(err)
		}
		text += "  " + name + ": " + string(hash) + "\n"
	}
	path := filepath.Join(t.TempDir(), "web.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func users(t *testing.T) *dashboard.Users {
	t.Helper()
	u, err := dashboard.LoadUsers(webConfig(t, ""), []string{"maren"})
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func form(values ...string) *http.Request {
	v := url.Values{}
	for i := 0; i+1 < len(values); i += 2 {
		v.Set(values[i], values[i+1])
	}
	r := httptest.NewRequest(http.MethodPost, "http://localhost/act", strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return r
}

var acknowledging = []string{"do", "acknowledge", "kind", "link-down", "subject", "mill/north/alder>birch"}

// deeds writes down what was asked for.
type deeds struct{ done []dashboard.Action }

func guarded(t *testing.T) (http.Handler, *deeds) {
	t.Helper()
	d := &deeds{}
	o := options(&book{})
	o.Users, o.Exposed = users(t), true
	o.Act = d.act
	return dashboard.New(o), d
}

// Whoever has no password sees nothing but that the process lives; viewers look; operators act, under their name.
func TestWhoMayDoWhat(t *testing.T) {
	h, d := guarded(t)
	for _, path := range []string{"/", "/alarms", "/api/v1/alarms", "/static/style.css", "/live?page=/alarms", "/metrics", "/readyz"} {
		answer, body := get(t, h, path)
		wantProblem(t, answer, body, http.StatusUnauthorized, "log in")
		if got := answer.Header().Get("WWW-Authenticate"); !strings.HasPrefix(got, "Basic ") { // RFC 9110, 11.6.1
			t.Errorf("%s: WWW-Authenticate is %q", path, got)
		}
	}
	if answer, _ := get(t, h, "/healthz"); answer.Code != http.StatusOK {
		t.Errorf("/healthz: %d, want it without a password", answer.Code)
	}
	for _, tt := range []struct {
		name, password string
		look, act      int
	}{
		{"maren", "neram", 200, 303},
		{"wall", "llaw", 200, 403},
		{"maren", "llaw", 401, 401},
		{"nobody", "x", 401, 401},
		{"maren", "", 401, 401},
	} {
		r := httptest.NewRequest(http.MethodGet, "http://localhost/alarms", nil)
		r.SetBasicAuth(tt.name, tt.password)
		if answer, body := ask(t, h, r); answer.Code != tt.look {
			t.Errorf("%s looks: %d, want %d: %s", tt.name, answer.Code, tt.look, body)
		}
		r = form(acknowledging...)
		r.SetBasicAuth(tt.name, tt.password)
		if answer, body := ask(t, h, r); answer.Code != tt.act {
			t.Errorf("%s acts: %d, want %d: %s", tt.name, answer.Code, tt.act, body)
		}
	}
	if len(d.done) != 1 || d.done[0].Who != "maren" {
		t.Errorf("done: %+v, want one deed of maren's", d.done)
	}
}

// Where other machines could be and nobody can log in, nobody is let in: to look tells who is at home.
func TestExposedWithoutUsersNobodyIsLetIn(t *testing.T) {
	d := &deeds{}
	o := options(&book{standing: []fleet.Alarm{alarm("link-down", "s", fleet.Unacknowledged, fleet.High, noon)}})
	o.Exposed, o.Act = true, d.act
	h := dashboard.New(o)
	for _, path := range []string{"/", "/alarms", "/api/v1/alarms", "/live?page=/alarms", "/metrics", "/static/style.css"} {
		answer, body := get(t, h, path)
		wantProblem(t, answer, body, http.StatusForbidden, "web: web.yaml")
	}
	if answer, _ := ask(t, h, form(acknowledging...)); answer.Code != http.StatusForbidden || len(d.done) > 0 {
		t.Errorf("%d, and %d deeds done", answer.Code, len(d.done))
	}
	if answer, _ := get(t, h, "/healthz"); answer.Code != http.StatusOK {
		t.Errorf("/healthz: %d", answer.Code)
	}
}

// Whoever may look and not act sees no buttons.
func TestViewersSeeNoButtons(t *testing.T) {
	d := &deeds{}
	o := options(&book{standing: []fleet.Alarm{alarm("link-down", "s", fleet.Unacknowledged, fleet.High, noon)}})
	o.Users, o.Act = users(t), d.act
	h := dashboard.New(o)
	for name, want := range map[string]bool{"wall": false, "maren": true} {
		r := httptest.NewRequest(http.MethodGet, "http://localhost/alarms", nil)
		r.SetBasicAuth(name, map[string]string{"wall": "llaw", "maren": "neram"}[name])
		if _, body := ask(t, h, r); strings.Contains(body, `action="/act"`) != want {
			t.Errorf("%s sees forms: %v, want %v", name, !want, want)
		}
	}
}

// Whatever an operator does is kept in the store under that operator's name, with the reason.
func TestEveryDeedIsRecorded(t *testing.T) {
	w := troubled(t)
	o := w.options()
	o.Users = users(t)
	h := dashboard.New(o)
	do := func(verb, kind, subject string) {
		t.Helper()
		body := fmt.Sprintf(`{"do":%q,"kind":%q,"subject":%q,"for":"1h","why":"for %s"}`, verb, kind, subject, verb)
		r := httptest.NewRequest(http.MethodPost, "http://localhost/api/v1/actions", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		r.SetBasicAuth("maren", "neram")
		if answer, text := ask(t, h, r); answer.Code != http.StatusNoContent {
			t.Errorf("%s: %d %s", verb, answer.Code, text)
		}
	}
	for _, verb := range dashboard.Verbs {
		switch verb {
		case dashboard.TakeOut, dashboard.Return:
			do(string(verb), "", "fernhollow-mill")
		default:
			do(string(verb), "link-down", cutCable)
		}
	}
	kept := map[string]string{}
	for c, err := range w.Changes(t.Context(), time.Time{}, w.clock().Add(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		if c.Who != "" && c.Why != "" {
			kept[strings.TrimPrefix(c.Why, "for ")] = c.Who
		}
	}
	for n, err := range w.journal.Notes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		kept[strings.TrimPrefix(n.Text, "link down: for ")] = n.Who
	}
	for _, verb := range dashboard.Verbs {
		if kept[string(verb)] != "maren" {
			t.Errorf("%s is recorded of %q, want maren", verb, kept[string(verb)])
		}
	}
}

// A guesser is slowed down; somebody at another address is not.
func TestWrongPasswordsAreLimited(t *testing.T) {
	h, _ := guarded(t)
	try := func(from, password string) int {
		r := httptest.NewRequest(http.MethodGet, "http://localhost/readyz", nil)
		r.RemoteAddr = from
		r.SetBasicAuth("maren", password)
		answer, _ := ask(t, h, r)
		if answer.Code == http.StatusTooManyRequests && answer.Header().Get("Retry-After") == "" {
			t.Error("no Retry-After") // RFC 6585, section 4
		}
		return answer.Code
	}
	for range 10 {
		if got := try("192.0.2.7:5000", "guess"); got != http.StatusUnauthorized {
			t.Fatalf("a wrong password: %d", got)
		}
	}
	if got := try("192.0.2.7:5001", "neram"); got != http.StatusTooManyRequests {
		t.Errorf("after ten wrong passwords: %d, want 429", got)
	}
	if got := try("192.0.2.8:5000", "neram"); got != http.StatusOK {
		t.Errorf("from elsewhere: %d, want 200", got)
	}
}

// A page of another site must not act through somebody's browser, who may be logged in.
func TestCrossOrigin(t *testing.T) {
	for name, header := range map[string][2]string{
		"fetch metadata": {"Sec-Fetch-Site", "cross-site"},
		"origin":         {"Origin", "https://elsewhere.example"},
	} {
		d := &deeds{}
		o := options(&book{})
		o.Act = d.act
		r := form(acknowledging...)
		r.Header.Set(header[0], header[1])
		answer, body := ask(t, dashboard.New(o), r)
		wantProblem(t, answer, body, http.StatusForbidden, "another site")
		if len(d.done) > 0 {
			t.Errorf("%s: it was done", name)
		}
	}
	d := &deeds{}
	o := options(&book{})
	o.Act = d.act
	r := form(acknowledging...)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	if answer, body := ask(t, dashboard.New(o), r); answer.Code != http.StatusSeeOther || len(d.done) != 1 {
		t.Errorf("from our own page: %d %s", answer.Code, body)
	}
}

func TestLoadUsersSaysWhatIsWrong(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "web.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, tt := range []struct{ path, operator, want string }{
		{filepath.Join(t.TempDir(), "none.yaml"), "", "none.yaml"},
		{write("basic_auth_users: {}\n"), "", "list at least one"},
		{write("basic_auth_user: {a: b}\n"), "", "basic_auth_user"},
		{webConfig(t, ""), "eve", `"eve"`},
		{webConfig(t, "tls_server_config: {cert_file: none.pem, key_file: none.key}\n"), "", "none.pem"},
	} {
		var operators []string
		if tt.operator != "" {
			operators = []string{tt.operator}
		}
		if _, err := dashboard.LoadUsers(tt.path, operators); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("LoadUsers(%s) = %v, want an error with %s", tt.path, err, tt.want)
		}
	}
}

// With a certificate nothing goes over the wire in clear.
func TestTLS(t *testing.T) {
	cert, key, pool := certificate(t)
	u, err := dashboard.LoadUsers(webConfig(t, "tls_server_config: {cert_file: "+cert+", key_file: "+key+"}\n"), nil)
	if err != nil || !u.Encrypted() {
		t.Fatalf("LoadUsers = %v", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: dashboard.New(options(&book{}))}
	t.Cleanup(func() { s.Close() })
	go func() { _ = s.Serve(u.Listener(l)) }() // ends with Close
	c := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	answer, err := c.Get("https://" + l.Addr().String() + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.TLS == nil || answer.TLS.Version < tls.VersionTLS12 {
		t.Errorf("served with %+v", answer.TLS)
	}
}

// certificate makes one for 127.0.0.1, by Go's own test server.
func certificate(t *testing.T) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	s := httptest.NewTLSServer(nil)
	defer s.Close()
	pool = x509.NewCertPool()
	pool.AddCert(s.Certificate())
	return writePEM(t, s.TLS.Certificates[0], pool)
}
