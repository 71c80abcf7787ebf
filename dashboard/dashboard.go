// Package dashboard is what the daemon serves over HTTP: its health, its metrics and its alarms as JSON. It also has
// the [Client] by which the commands ask a running daemon.
//
// Nobody logs in here yet. So [CheckListen] lets the daemon listen on loopback alone unless the fleet file says
// otherwise, and on loopback the Host header is checked, so that no web page can point a name of its own at the
// daemon and read it through somebody's browser (DNS rebinding). Everything can be read and nothing can be changed.
//
// Errors are problem details of RFC 9457.
package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"ringwarden/fleet"
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
	Metrics http.Handler     // served as /metrics; nil: not found
	Ready   func() error     // says why the daemon does not do its work yet, or any more; nil: it always does
	Exposed bool             // do not check the Host header: other machines come by names that nobody told us
	Now     func() time.Time // nil: time.Now
}

// maxRequests is how many requests are answered at once. Others are told to come back in a second: an answer holds
// memory and a read transaction of the store.
const maxRequests = 32

// New returns the handler of all that the daemon serves.
func New(o Options) http.Handler {
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &server{Options: o}
	mux := http.NewServeMux()
	mux.HandleFunc("/", s.index)
	mux.HandleFunc("/healthz", s.healthz)
	mux.HandleFunc("/readyz", s.readyz)
	mux.HandleFunc("/api/v1/alarms", s.alarms)
	if o.Metrics != nil {
		mux.Handle("/metrics", o.Metrics)
	}
	slots := make(chan struct{}, maxRequests)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		harden(w.Header())
		if !s.admit(w, r) {
			return
		}
		select {
		case slots <- struct{}{}:
			defer func() { <-slots }()
			mux.ServeHTTP(w, r)
		default:
			w.Header().Set("Retry-After", "1")
			problem(w, http.StatusServiceUnavailable, "too many requests are being answered; ask again in a second")
		}
	})
}

// A server answers; it keeps nothing between requests.
type server struct{ Options }

// harden says to browsers that nothing here is a page to run, frame, keep or share.
func harden(h http.Header) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
}

// admit refuses what would change something, and names that are not this machine's own.
func (s *server) admit(w http.ResponseWriter, r *http.Request) bool {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		problem(w, http.StatusMethodNotAllowed, "nothing can be changed here; use GET")
		return false
	}
	if !s.Exposed && !loopbackName(r.Host) {
		problem(w, http.StatusMisdirectedRequest, fmt.Sprintf("%q is not a name of this machine's loopback; use localhost, "+
			"and let a proxy in front set the Host header to it", r.Host))
		return false
	}
	return true
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

const doors = `ringwarden watches the charge controllers of a fleet. It only reads. Here are

/healthz        the process lives
/readyz         it polls and stores
/metrics        readings and the program's own figures, for Prometheus
/api/v1/alarms  alarms that stand, as JSON; ?past=24h or ?past=2026-03-01T00:00:00Z adds every change since

Advice, never a protective device.
`

func (s *server) index(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path != "/" {
		problem(w, http.StatusNotFound, "there is nothing at "+r.URL.Path+"; / lists what there is")
		return
	}
	plain(w, doors)
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

// A details is a problem of RFC 9457, section 3.1, of the type about:blank: the status says what sort it is.
type details struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

const problemType = "application/problem+json"

func problem(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", problemType)
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(details{"about:blank", http.StatusText(status), status, detail}) // as plain
}
