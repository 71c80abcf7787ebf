package dashboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// livePath is where the stream of a page's changes is.
const livePath = "/live"

// Limits of live pages. Nothing waits for a viewer: each one's own goroutine writes to it, and one that takes nothing
// for viewerTime is dropped. Viewers of one page share an [edition]: its parts are made at most once in liveStep, and
// only as long as somebody looks, and each event is written down once for all of them. So the memory is that of the pages
// which are looked at, some hundred kilobytes each, of maxViewers at the worst.
const (
	maxViewers = 1000
	liveStep   = 500 * time.Millisecond
	quietTime  = 15 * time.Second // after so long a comment says that the stream lives
	viewerTime = 10 * time.Second
)

// seat counts one more page that is watched, for the caller to count out; beyond maxViewers it answers with a problem.
func (s *server) seat(w http.ResponseWriter) bool {
	if s.viewers.Add(1) <= maxViewers {
		return true
	}
	s.viewers.Add(-1)
	w.Header().Set("Retry-After", "30")
	problem(w, http.StatusServiceUnavailable, "too many pages are being watched; reload by hand")
	return false
}

// live streams those parts of a page that change, as server-sent events: each event's data is a JSON object of part
// ids and their HTML.
func (s *server) live(w http.ResponseWriter, r *http.Request) {
	page, err := url.Parse(r.URL.Query().Get("page"))
	if err != nil || page.Path == "" || page.IsAbs() {
		problem(w, http.StatusBadRequest, "page is missing; name the page that is looked at, as in /live?page=/alarms")
		return
	}
	if !s.seat(w) {
		return
	}
	defer s.viewers.Add(-1)
	key := fmt.Sprint(mayAct(r), " ", page.RequestURI())
	e := s.editions.open(key)
	defer s.editions.close(key)
	v := &viewer{w: w, control: http.NewResponseController(w)}
	if _, v.seen, err = e.next(s, r, page, 0); err != nil {
		problem(w, http.StatusNotFound, err.Error())
		return
	}
	if last, err := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 64); err == nil {
		v.seen = last // it was here before: what it missed is sent at once
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	if v.send([]byte("retry: 3000\n\n")) != nil {
		return
	}
	s.follow(r, page, e, v)
}

// A viewer is one open page.
type viewer struct {
	w       http.ResponseWriter
	control *http.ResponseController
	seen    uint64 // number of the edition that it shows
}

// follow sends what changes until the viewer goes, is dropped, or the daemon stops.
func (s *server) follow(r *http.Request, page *url.URL, e *edition, v *viewer) {
	step := time.NewTicker(liveStep)
	defer step.Stop()
	stopping := stoppingOf(r.Context())
	for told := time.Now(); ; {
		select {
		case <-r.Context().Done():
			return
		case <-stopping:
			return
		case now := <-step.C:
			event, number, err := e.next(s, r, page, v.seen)
			if err != nil {
				return // the browser comes back and is told
			}
			if event == nil {
				if now.Sub(told) < quietTime {
					continue
				}
				event = []byte(": nothing new\n\n")
			}
			if v.send(event) != nil {
				return
			}
			v.seen, told = number, now
		}
	}
}

func (v *viewer) send(event []byte) error {
	if err := v.control.SetWriteDeadline(time.Now().Add(viewerTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := v.w.Write(event); err != nil {
		return err
	}
	return v.control.Flush()
}

func (s *server) makeParts(r *http.Request, page *url.URL) (map[string]string, error) {
	// The parts belong to all viewers: one that goes must not spoil them for the others.
	v, err := s.visit(r.WithContext(context.WithoutCancel(r.Context())), page.Path, page.Query())
	if err != nil {
		return nil, err
	}
	v.parts = true
	p, err := s.view(v)
	if err != nil {
		return nil, err
	}
	if len(p.Parts) == 0 {
		return nil, errors.New("nothing on this page changes by itself")
	}
	parts := map[string]string{}
	var b bytes.Buffer
	for _, id := range p.Parts {
		b.Reset()
		if err := templates.ExecuteTemplate(&b, p.Name+"."+id, p.Data); err != nil {
			return nil, err
		}
		parts[id] = b.String()
	}
	return parts, nil
}

// stoppingKey is the context key of a channel that is closed when the server is to end: answers under way are
// finished, but a stream has no end of its own.
type stoppingKey struct{}

func stoppingOf(ctx context.Context) <-chan struct{} {
	c, _ := ctx.Value(stoppingKey{}).(<-chan struct{})
	return c
}
