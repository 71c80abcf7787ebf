// Package door is how a command reaches a store that a daemon holds open: the daemon answers, over a socket beside the
// store, for what is stored, copies of it, exports, frames, notes and all that its pages' API answers, and [Client] asks.
//
// Nobody logs in there: whoever may open the socket, a file of the daemon's own user, may do all that. No other machine
// and no web page can. No transaction of the store is open while an answer is sent: a copy is made to a file first, and
// everything else is read in batches.
//
// It is wiring, and so part of the command: no other room imports it.
package door

import (
	"context"
	"encoding/json"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"time"

	"ringwarden/alerts/notify"
	"ringwarden/dashboard"
	"ringwarden/store"
)

// The paths behind which the doors are.
const (
	pathStat    = "/door/store"
	pathBackup  = "/door/store/backup"
	pathExport  = "/door/export"
	pathFrames  = "/door/frames"
	pathChanges = "/door/changes"
	pathNotes   = "/door/notes"
	pathOutbox  = "/door/outbox"
)

// maxRequests is how many requests are answered at once; others are told to come again.
const maxRequests = 4

// writeTime is how long one piece of an answer may take to be sent, and thinkTime how long where whoever asks works on
// what has come before it takes the next piece.
const (
	writeTime = 30 * time.Second
	thinkTime = 10 * time.Minute
)

// userHeader says who gives a command, percent-encoded. It is believed: whoever may open the door may do everything behind it.
const userHeader = "Ringwarden-User"

// A Door answers for one store. Make one with [New], and let it [Door.Run].
type Door struct {
	store  *store.Store
	desk   *notify.Desk
	log    *slog.Logger
	mux    *http.ServeMux
	slots  chan struct{}
	copies *copies
}

// Options are what is behind the doors.
type Options struct {
	Store  *store.Store
	Path   string       // of the store
	Desk   *notify.Desk // what waits to be told; nil: nothing is
	Rest   http.Handler // answers what the doors do not, for commands whose user may act; it must not ask for a login
	Logger *slog.Logger
}

// New returns doors.
func New(o Options) *Door {
	d := &Door{
		store: o.Store, desk: o.Desk, log: o.Logger, mux: http.NewServeMux(), slots: make(chan struct{}, maxRequests),
		copies: newCopies(o.Store, o.Path),
	}
	d.handle("GET "+pathStat, writeTime, d.stat)
	d.handle("GET "+pathBackup, writeTime, d.backup)
	d.handle("DELETE "+pathBackup, writeTime, d.forget)
	d.handle("GET "+pathExport, writeTime, d.export)
	d.handle("GET "+pathFrames, thinkTime, d.frames)
	d.handle("GET "+pathChanges, thinkTime, d.changes)
	d.handle("GET "+pathNotes, writeTime, d.notes)
	d.handle("POST "+pathNotes, writeTime, d.putNote)
	if o.Desk != nil {
		d.handle("GET "+pathOutbox, writeTime, d.outbox)
		d.handle("POST "+pathOutbox, writeTime, d.retry)
	}
	d.mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		name, err := url.PathUnescape(r.Header.Get(userHeader))
		if err != nil || name == "" {
			name = "a command on the daemon's machine"
		}
		o.Rest.ServeHTTP(w, dashboard.As(r, name))
	})
	return d
}

// Run answers on the listener, which it closes, and removes copies that nobody fetches any more, until ctx is done.
func (d *Door) Run(ctx context.Context, l net.Listener) error {
	d.copies.clean(d.log)
	done := make(chan struct{})
	go func() { defer close(done); d.copies.run(ctx) }()
	err := dashboard.Serve(ctx, l, d.mux)
	<-done
	return err
}

// handle answers a few requests at a time, and tells others to come again.
func (d *Door) handle(pattern string, piece time.Duration, answer http.HandlerFunc) {
	d.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		select {
		case d.slots <- struct{}{}:
			defer func() { <-d.slots }()
			answer(&patient{w, piece}, r)
		default:
			w.Header().Set("Retry-After", "1")
			problem(w, http.StatusServiceUnavailable, "other commands are being answered; try again in a moment")
		}
	})
}

// A patient writer gives each piece of an answer its own time: a large one may take longer than the server allows for
// all, a reader that stands still may not.
type patient struct {
	http.ResponseWriter
	piece time.Duration
}

// Write writes b within the time for a piece.
func (p *patient) Write(b []byte) (int, error) {
	_ = http.NewResponseController(p.ResponseWriter).SetWriteDeadline(time.Now().Add(p.piece)) // a recorder of a test has none
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
	// Quarantine names what lies in quarantine, at most quarantineNamed records of Stat.Quarantined.
	Quarantine []string
}

// quarantineNamed bounds the records that a survey names.
const quarantineNamed = 20

// Take takes a survey of a store.
func Take(ctx context.Context, s *store.Store) (v Survey, err error) {
	if v.Stat, err = s.Stat(); err != nil {
		return v, err
	}
	if v.Quarantine, _, err = s.Quarantined(ctx, quarantineNamed); err != nil {
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
