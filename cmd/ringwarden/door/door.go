// Package door is how a command reaches a store that a daemon holds open: the daemon answers, over its own address, for
// what is stored, copies of it, exports and notes, and [Client] asks.
//
// The doors are for this machine alone, whoever else may read the daemon's pages: a request must come from the machine
// itself, by a name of it, and from no web page. No transaction of the store is open while an answer is sent: a copy is
// made to a file first, and everything else is read in batches.
//
// It is wiring, and so part of the command: no other room imports it.
package door

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"ringwarden/store"
)

// The paths behind which the doors are.
const (
	pathStat   = "/api/v1/store"
	pathBackup = "/api/v1/store/backup"
	pathExport = "/api/v1/export"
	pathNotes  = "/api/v1/notes"
)

// maxRequests is how many requests are answered at once; others are told to come again.
const maxRequests = 4

// writeTime is how long one piece of an answer may take to be sent.
const writeTime = 30 * time.Second

// A Door answers for one store. Make one with [New], and let it [Door.Run].
type Door struct {
	store   *store.Store
	log     *slog.Logger
	mux     *http.ServeMux
	slots   chan struct{}
	origins http.CrossOriginProtection
	copies  *copies
}

// New returns the doors of a store.
func New(s *store.Store, path string, log *slog.Logger) *Door {
	d := &Door{store: s, log: log, mux: http.NewServeMux(), slots: make(chan struct{}, maxRequests), copies: newCopies(s, path)}
	d.mux.HandleFunc("GET "+pathStat, d.stat)
	d.mux.HandleFunc("GET "+pathBackup, d.backup)
	d.mux.HandleFunc("GET "+pathExport, d.export)
	d.mux.HandleFunc("GET "+pathNotes, d.notes)
	d.mux.HandleFunc("POST "+pathNotes, d.putNote)
	return d
}

// Run removes copies that nobody fetches any more until ctx is done, and then all of them.
func (d *Door) Run(ctx context.Context) { d.copies.run(ctx, d.log) }

// Before returns a handler that answers what the doors are for, and leaves the rest to next.
func (d *Door) Before(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := d.mux.Handler(r); pattern == "" {
			next.ServeHTTP(w, r)
			return
		}
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Cache-Control", "no-store")
		if why := d.refuse(r); why != "" {
			problem(w, http.StatusForbidden, why)
			return
		}
		select {
		case d.slots <- struct{}{}:
			defer func() { <-d.slots }()
			d.mux.ServeHTTP(&patient{w}, r)
		default:
			w.Header().Set("Retry-After", "1")
			problem(w, http.StatusServiceUnavailable, "other commands are being answered; try again in a moment")
		}
	})
}

// refuse says why a request is not one of a command on this machine; empty: it is.
func (d *Door) refuse(r *http.Request) string {
	local, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	switch {
	case !sameMachine(r.RemoteAddr, local), r.Header.Get("X-Forwarded-For") != "", r.Header.Get("Forwarded") != "":
		return "this is for commands on the daemon's own machine"
	case !ownName(r.Host, local):
		return fmt.Sprintf("%q is not a name of this machine's own", r.Host)
	case r.Header.Get("Origin") != "" || d.origins.Check(r) != nil:
		return "this is not for web pages"
	}
	return ""
}

// sameMachine reports whether a connection has both of its ends here.
func sameMachine(remote string, local net.Addr) bool {
	from, err := netip.ParseAddrPort(remote)
	if err != nil {
		return false
	}
	if from.Addr().Unmap().IsLoopback() {
		return true
	}
	tcp, ok := local.(*net.TCPAddr)
	return ok && tcp.AddrPort().Addr().Unmap() == from.Addr().Unmap()
}

// ownName reports whether a Host header names this machine as no web site can: by localhost or by the address itself.
func ownName(host string, local net.Addr) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	addr, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if err != nil {
		return false
	}
	tcp, ok := local.(*net.TCPAddr)
	return addr.Unmap().IsLoopback() || ok && tcp.AddrPort().Addr().Unmap() == addr.Unmap()
}

// A patient writer gives each piece of an answer its own time: a large one may take longer than the server allows for
// all, a reader that stands still may not.
type patient struct{ http.ResponseWriter }

// Write writes b within writeTime.
func (p *patient) Write(b []byte) (int, error) {
	_ = http.NewResponseController(p.ResponseWriter).SetWriteDeadline(time.Now().Add(writeTime)) // a recorder of a test has none
	return p.ResponseWriter.Write(b)
}

// A details is a problem of RFC 9457, section 3.1, of the type about:blank.
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
	_ = json.NewEncoder(w).Encode(details{"about:blank", http.StatusText(status), status, detail}) // a reader that has gone needs none
}

// A Survey is what [Client.Stat] answers.
type Survey struct {
	Stat  store.Stat
	Usage store.Usage
}

// Take takes a survey of a store.
func Take(ctx context.Context, s *store.Store) (v Survey, err error) {
	if v.Stat, err = s.Stat(); err != nil {
		return v, err
	}
	v.Usage, err = s.Usage(ctx)
	return v, err
}

func (d *Door) stat(w http.ResponseWriter, r *http.Request) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(surveyTime + writeTime)) // as in Write
	ctx, cancel := context.WithTimeout(r.Context(), surveyTime)
	defer cancel()
	v, err := Take(ctx, d.store)
	if err != nil {
		problem(w, http.StatusInternalServerError, err.Error())
		return
	}
	answer(w, v)
}

// surveyTime bounds a survey, which reads the whole file.
const surveyTime = 10 * time.Minute

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v) // a reader that has gone needs none
}
