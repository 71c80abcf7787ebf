package dashboard

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/crypto/bcrypt"
	"gopkg.in/yaml.v3"
)

// Users are those who may log in, by HTTP basic authentication. Make them with [LoadUsers].
type Users struct {
	hashes    map[string][]byte // bcrypt
	operators []string
	tls       *tls.Config
	salt      [32]byte
	now       func() time.Time

	mu    sync.Mutex              // guards all below
	known map[[32]byte]struct{}   // names with passwords that were right; at most maxKnown, then it begins anew
	fails map[string]*loginFaults // by address; at most maxStrangers, then it begins anew
}

type loginFaults struct {
	n     int
	until time.Time // when the first of them is forgotten
}

// Limits of logging in. A hash takes a good part of a second to check, on purpose; what was right once is remembered
// by a salted sum, and whoever guesses is told to come back.
const (
	maxKnown     = 256
	maxStrangers = 4096
	maxFaults    = 10 // from one address in faultTime
	faultTime    = time.Minute
)

// nobody is the hash that an unknown name is checked against, so that the time taken does not tell names apart.
var nobody = []byte("$2y$10$EmY7iaIMv9K8hTNlVyPM7eIcVpmyRZJoDCFFpJI3smJp4WpGS9eEO")

// LoadUsers reads a web configuration file in the format of the Prometheus exporter-toolkit: TLS, and users with
// bcrypt hashes. Every operator must be one of its users; whoever is none of them may look and not act. The file is
// read once.
func LoadUsers(path string, operators []string) (*Users, error) {
	if err := web.Validate(path); err != nil {
		return nil, fmt.Errorf("reading the web configuration %s: %w", path, err)
	}
	body, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the web configuration: %w", err)
	}
	var c web.Config
	if err := yaml.Unmarshal(body, &c); err != nil {
		return nil, fmt.Errorf("reading the web configuration %s: %w", path, err)
	}
	u := &Users{
		hashes: map[string][]byte{}, operators: operators, now: time.Now,
		known: map[[32]byte]struct{}{}, fails: map[string]*loginFaults{},
	}
	_, _ = rand.Read(u.salt[:]) // never fails
	for name, hash := range c.Users {
		u.hashes[name] = []byte(hash)
	}
	if len(u.hashes) == 0 {
		return nil, fmt.Errorf("reading the web configuration %s: it has no basic_auth_users; list at least one, with a bcrypt hash", path)
	}
	for _, name := range operators {
		if _, ok := u.hashes[name]; !ok {
			return nil, fmt.Errorf("the operator %q is no user of %s; add %[1]q to its basic_auth_users", name, path)
		}
	}
	if c.TLSConfig.TLSCertPath != "" || c.TLSConfig.TLSCert != "" {
		c.TLSConfig.SetDirectory(filepath.Dir(path))
		if u.tls, err = web.ConfigToTLSConfig(&c.TLSConfig); err != nil {
			return nil, fmt.Errorf("reading the web configuration %s: %w", path, err)
		}
	}
	return u, nil
}

// Listener returns the listener with TLS, or as it is if the web configuration has no certificate.
func (u *Users) Listener(l net.Listener) net.Listener {
	if u == nil || u.tls == nil {
		return l
	}
	return tls.NewListener(l, u.tls)
}

// Encrypted reports whether there is a certificate.
func (u *Users) Encrypted() bool { return u != nil && u.tls != nil }

// A role is kept in the request's context.
type roleKey struct{}

type role struct {
	name string
	acts bool
}

// userOf returns who has logged in; empty where nobody has to.
func userOf(r *http.Request) string {
	who, _ := r.Context().Value(roleKey{}).(role)
	return who.name
}

// mayAct reports whether the request comes from an operator. Where nobody logs in, on this machine's loopback, everybody
// is one.
func mayAct(r *http.Request) bool {
	who, ok := r.Context().Value(roleKey{}).(role)
	return !ok || who.acts
}

// logIn lets a request through if nobody has to log in, on this machine's loopback, or if a user has; it answers it
// otherwise.
func (s *server) logIn(w http.ResponseWriter, r *http.Request) (*http.Request, bool) {
	u := s.Users
	switch {
	case u == nil && !s.Exposed, r.URL.Path == "/healthz":
		return r, true
	case u == nil: // it should not have started
		problem(w, http.StatusForbidden, "other machines reach this address and no users are named, so nobody is let in; write web: web.yaml into the fleet file")
		return nil, false
	}
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		from = r.RemoteAddr
	}
	if wait := u.wait(from); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait.Seconds())+1))
		problem(w, http.StatusTooManyRequests, "too many wrong passwords came from this address; wait a minute")
		return nil, false
	}
	name, password, given := r.BasicAuth()
	if !given || !u.check(name, password) {
		if given {
			u.fault(from)
		}
		w.Header().Set("WWW-Authenticate", `Basic realm="ringwarden", charset="UTF-8"`)
		problem(w, http.StatusUnauthorized, "log in with a name and password of the web configuration")
		return nil, false
	}
	return withRole(r, role{name, slices.Contains(u.operators, name)}), true
}

// As returns a request as one of somebody who is known otherwise than by logging in, and may act.
func As(r *http.Request, name string) *http.Request { return withRole(r, role{name, true}) }

func withRole(r *http.Request, who role) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), roleKey{}, who))
}

// check reports whether a password is right.
func (u *Users) check(name, password string) bool {
	sum := sha256.Sum256(fmt.Appendf(u.salt[:], "%d %s%s", len(name), name, password))
	u.mu.Lock()
	_, known := u.known[sum]
	u.mu.Unlock()
	if known {
		return true
	}
	hash, ok := u.hashes[name]
	if !ok {
		hash = nobody
	}
	if bcrypt.CompareHashAndPassword(hash, []byte(password)) != nil || !ok {
		return false
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if len(u.known) >= maxKnown {
		clear(u.known)
	}
	u.known[sum] = struct{}{}
	return true
}

// wait says for how long an address may not try again.
func (u *Users) wait(from string) time.Duration {
	u.mu.Lock()
	defer u.mu.Unlock()
	f, now := u.fails[from], u.now()
	switch {
	case f == nil:
		return 0
	case !now.Before(f.until):
		delete(u.fails, from)
		return 0
	case f.n < maxFaults:
		return 0
	}
	return f.until.Sub(now)
}

func (u *Users) fault(from string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if len(u.fails) >= maxStrangers {
		clear(u.fails)
	}
	f := u.fails[from]
	if f == nil {
		f = &loginFaults{until: u.now().Add(faultTime)}
		u.fails[from] = f
	}
	f.n++
}
