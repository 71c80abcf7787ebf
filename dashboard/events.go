package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"time"
)

// livePath is where the stream of a page's changes is.
const livePath = "/live"

// Limits of live pages. Nothing waits for a viewer: each one's own goroutine writes to it, and one that takes nothing
// for viewerTime is dropped. Viewers of one page share its parts, which are made at most once in liveStep.
const (
	maxViewers = 1000
	liveStep   = 500 * time.Millisecond
	quietTime  = 15 * time.Second // after so long a comment says that the stream lives
	viewerTime = 10 * time.Second
	// maxMade is how many pages' parts are kept; then all are forgotten and made again.
	maxMade = 128
)

// madeParts are the parts of a page as they were made last.
type madeParts struct {
	mu      sync.Mutex // guards all below
	version uint64
	at      time.Time
	html    map[string]string
}

type partCache struct {
	mu   sync.Mutex
	made map[string]*madeParts
}

func (c *partCache) of(key string) *madeParts {
	c.mu.Lock()
	defer c.mu.Unlock()
	m := c.made[key]
	if m == nil {
		if len(c.made) >= maxMade {
			clear(c.made)
		}
		m = &madeParts{}
		c.made[key] = m
	}
	return m
}

// live streams those parts of a page that change, as server-sent events: each event's data is a JSON object of part
// ids and their HTML.
func (s *server) live(w http.ResponseWriter, r *http.Request) {
	page, err := url.Parse(r.URL.Query().Get("page"))
	if err != nil || page.Path == "" || page.IsAbs() {
		problem(w, http.StatusBadRequest, "page is missing; name the page that is looked at, as in /live?page=/alarms")
		return
	}
	if s.viewers.Add(1) > maxViewers {
		s.viewers.Add(-1)
		w.Header().Set("Retry-After", "30")
		problem(w, http.StatusServiceUnavailable, "too many pages are being watched; reload by hand")
		return
	}
	defer s.viewers.Add(-1)
	shown, _, err := s.partsOf(r, page) // what the page has just been made of, or nearly
	if err != nil {
		problem(w, http.StatusNotFound, err.Error())
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	v := &viewer{w: w, control: http.NewResponseController(w), shown: shown}
	if v.send("retry: 3000\n\n") != nil {
		return
	}
	s.follow(r, page, v)
}

// A viewer is one open page.
type viewer struct {
	w       http.ResponseWriter
	control *http.ResponseController
	shown   map[string]string
}

// follow sends what changes until the viewer goes, is dropped, or the daemon stops.
func (s *server) follow(r *http.Request, page *url.URL, v *viewer) {
	step := time.NewTicker(liveStep)
	defer step.Stop()
	stopping := stoppingOf(r.Context())
	seen, told := uint64(0), time.Now()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-stopping:
			return
		case now := <-step.C:
			if s.Live.version() == seen && now.Sub(told) < quietTime {
				continue
			}
			parts, version, err := s.partsOf(r, page)
			if err != nil {
				return // the browser comes back and is told
			}
			seen = version
			sent, err := v.update(parts, now.Sub(told) >= quietTime)
			if err != nil {
				return
			}
			if sent {
				told = now
			}
		}
	}
}

// update sends the parts that differ from what the viewer sees; with nothing to send, a comment if that is due.
func (v *viewer) update(parts map[string]string, due bool) (bool, error) {
	changed := map[string]string{}
	for id, html := range parts {
		if v.shown[id] != html {
			changed[id] = html
		}
	}
	v.shown = parts
	if len(changed) == 0 {
		if !due {
			return false, nil
		}
		return true, v.send(": nothing new\n\n")
	}
	data, err := json.Marshal(changed)
	if err != nil {
		return false, err
	}
	return true, v.send("data: " + string(data) + "\n\n")
}

func (v *viewer) send(text string) error {
	if err := v.control.SetWriteDeadline(time.Now().Add(viewerTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := v.w.Write([]byte(text)); err != nil {
		return err
	}
	return v.control.Flush()
}

// partsOf returns the parts of a page, made not longer than a step ago.
func (s *server) partsOf(r *http.Request, page *url.URL) (map[string]string, uint64, error) {
	m := s.parts.of(fmt.Sprint(mayAct(r), " ", page.RequestURI()))
	m.mu.Lock()
	defer m.mu.Unlock()
	now, version := time.Now(), s.Live.version()
	if m.html != nil && (m.version == version || now.Sub(m.at) < liveStep*9/10) && now.Sub(m.at) < quietTime {
		return m.html, m.version, nil
	}
	html, err := s.makeParts(r, page)
	if err != nil {
		return nil, 0, err
	}
	m.html, m.version, m.at = html, version, now
	return html, version, nil
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
