// Package dashboard is what the daemon serves over HTTP: pages for people, a stream of what changes on them, curves as
// CSV, a JSON API, its health and its metrics. It also has the [Client] by which the commands ask a running daemon.
//
// Pages are made on the server from Go templates and can be read without JavaScript; a little script replaces those
// parts of a page that changed (see [Live] and /live). Nothing on a page comes from elsewhere: one style sheet, one
// script, pictures drawn by the room draw. The look follows ISA-101: grey while all is normal, saturated colour for the
// abnormal alone, and never colour without a shape and a word.
//
// Who may do what: loopback needs no login, and there the Host header is checked, so that no web page can point a name
// of its own at the daemon and use it through somebody's browser (DNS rebinding). Everybody else logs in, as one of
// [Users] from a web configuration file: viewers look, operators act. Every action is recorded with who did it. Nothing
// here can write to a device.
//
// Errors of the API are problem details of RFC 9457.
package dashboard

import (
	"context"
	"fmt"
	"iter"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync/atomic"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// Alarms is where the alarms come from. Both methods are called from several goroutines at once.
type Alarms interface {
	// Standing returns every alarm that is not normal.
	Standing(ctx context.Context) ([]fleet.Alarm, error)
	// Changes yields the changes in [from, to), in the order of time.
	Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error]
}

// Options are what [New] serves. Alarms is needed; the rest may be left out.
type Options struct {
	Alarms  Alarms
	Live    *Live        // the newest values; nil: of no controller
	Journal *store.Store // the curves; nil: only the day so far
	// Act does what a person asks of an alarm, and records it. nil: nobody can.
	Act     func(ctx context.Context, a Action) error
	Metrics http.Handler // served as /metrics; nil: not found
	Ready   func() error // says why the daemon does not do its work yet, or any more; nil: it always does
	Exposed bool         // do not check the Host header: other machines come by names that nobody told us
	Users   *Users       // who may log in; nil: everybody acts, or, if Exposed, nobody is let in
	// CableTests are the close watches of a ring; nil: nobody can test cables.
	CableTests *CableTests
	Studies    *Studies         // what the history says of cables; nil: nothing
	Cables     Cables           // lets people pull simulated cables; nil, as everywhere but in the demo: nobody can
	Now        func() time.Time // the clock that frames and alarms go by; nil: time.Now
}

// maxRequests is how many requests are answered at once. Others are told to come back in a second: an answer holds
// memory and a read transaction of the store.
const maxRequests = 32

// New returns the handler of all that the daemon serves.
func New(o Options) http.Handler {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Live == nil {
		o.Live = NewLive(&fleet.Fleet{})
	}
	s := &server{Options: o, mux: http.NewServeMux(), slots: make(chan struct{}, maxRequests)}
	s.editions.of = map[string]*edition{}
	s.routes()
	return s
}

// A server answers.
type server struct {
	Options
	mux      *http.ServeMux
	slots    chan struct{}
	crossed  http.CrossOriginProtection
	viewers  atomic.Int64 // of live pages
	editions editions
	measured figureCache
	reported readingsCache
}

func (s *server) routes() {
	s.mux.HandleFunc("GET /healthz", s.healthz)
	s.mux.HandleFunc("GET /readyz", s.readyz)
	if s.Metrics != nil {
		s.mux.Handle("GET /metrics", s.Metrics)
	}
	s.mux.HandleFunc("GET /static/{name}", serveAsset)
	s.mux.HandleFunc("GET /live", s.live)
	s.mux.HandleFunc("GET /{rest...}", s.page)
	s.mux.HandleFunc("GET /curves/{site}/{ring}/{controller}", s.curveCSV)
	s.mux.HandleFunc("GET "+testStream, s.testEvents)
	s.mux.HandleFunc("POST /act", s.actByForm)
	s.mux.HandleFunc("POST /cabletest", s.testByForm)
	if s.Journal != nil {
		s.mux.HandleFunc("POST /note", s.noteByForm)
		s.mux.HandleFunc("POST /swap", s.swapByForm)
	}
	if s.Cables != nil {
		s.mux.HandleFunc("POST /cable", s.pullCable)
	}
	s.routeAPI()
}

// ServeHTTP answers one request: it checks who asks and from where before anything else is looked at.
func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	harden(w.Header())
	if !s.admit(w, r) {
		return
	}
	r, ok := s.logIn(w, r)
	if !ok {
		return
	}
	if r.URL.Path == livePath || r.URL.Path == testStream { // they last, and hold next to nothing
		s.mux.ServeHTTP(w, r)
		return
	}
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
		s.mux.ServeHTTP(w, r)
	default:
		w.Header().Set("Retry-After", "1")
		problem(w, http.StatusServiceUnavailable, "too many requests are being answered; ask again in a second")
	}
}

// policy lets a page load what this daemon serves and nothing else; no script or style stands in a page itself.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// harden says to browsers that nothing here is to be framed, kept, sniffed or shared.
func harden(h http.Header) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", policy)
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
}

// admit refuses what would change something where nothing can be changed, what another site's page sends, and names
// that are not this machine's own.
func (s *server) admit(w http.ResponseWriter, r *http.Request) bool {
	if r.Method != http.MethodGet && r.Method != http.MethodHead && (r.Method != http.MethodPost || !s.acts(r)) {
		w.Header().Set("Allow", "GET, HEAD")
		problem(w, http.StatusMethodNotAllowed, "nothing can be changed here; use GET")
		return false
	}
	if !s.Exposed && !loopbackName(r.Host) {
		problem(w, http.StatusMisdirectedRequest, fmt.Sprintf("%q is not a name of this machine's loopback; use localhost, "+
			"and let a proxy in front set the Host header to it", r.Host))
		return false
	}
	if err := s.crossed.Check(r); err != nil {
		problem(w, http.StatusForbidden, "a page of another site sent this; only this daemon's own pages may")
		return false
	}
	return true
}

// acts reports whether a request is for one of the few places where something can be done.
func (s *server) acts(r *http.Request) bool {
	_, pattern := s.mux.Handler(r)
	return strings.HasPrefix(pattern, "POST ")
}

func loopbackName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	addr, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil && addr.Unmap().IsLoopback()
}

func (s *server) healthz(w http.ResponseWriter, _ *http.Request) { plain(w, "lives\n") }

func (s *server) readyz(w http.ResponseWriter, _ *http.Request) {
	if s.Ready != nil {
		if err := s.Ready(); err != nil {
			problem(w, http.StatusServiceUnavailable, err.Error())
			return
		}
	}
	plain(w, "polls and stores\n")
}

func plain(w http.ResponseWriter, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte(text)) // a reader that has gone needs no answer
}
