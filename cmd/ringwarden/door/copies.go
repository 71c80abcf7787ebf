package door

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"ringwarden/store"
)

// copyKept is how long a copy waits for somebody to fetch it, or to go on fetching it.
const copyKept = time.Hour

// copies holds the one copy of a store that is being fetched. It lies beside the store, under its name and the copy's
// own, until it was fetched, or nobody has asked for it for copyKept.
type copies struct {
	store  *store.Store
	prefix string

	making chan struct{} // holds a token while a copy is made

	mu      sync.Mutex // guards all below
	id      string     // of the copy that is there; empty: there is none
	readers int
	used    time.Time
	fetched bool // somebody has all of it
}

func newCopies(s *store.Store, path string) *copies {
	return &copies{store: s, prefix: path + ".copy-", making: make(chan struct{}, 1)}
}

func (c *copies) path(id string) string { return c.prefix + id }

// errBusy says that another copy is in use.
var errBusy = errors.New("another backup is being made or fetched; try again when it is done")

// errGone says that the copy that somebody wants to go on with is not there any more.
var errGone = errors.New("that copy is not kept any more; begin again")

// take returns the id of a copy, and a function to be called when it was read: of the one with that id, or of a new one
// if id is empty.
func (c *copies) take(ctx context.Context, id string) (string, func(), error) {
	if id == "" {
		var err error
		if id, err = c.make(ctx); err != nil {
			return "", nil, err
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if id != c.id {
		return "", nil, errGone
	}
	c.readers++
	c.used = time.Now()
	return id, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.readers--
		c.used = time.Now()
		c.remove()
	}, nil
}

// forget removes a copy that somebody has fetched, as soon as nobody else reads it.
func (c *copies) forget(id string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if id == "" || id != c.id {
		return
	}
	c.fetched = true
	c.remove()
}

// remove removes a copy that was fetched and that nobody reads; c.mu is held.
func (c *copies) remove() {
	if c.fetched && c.readers == 0 && c.id != "" {
		os.Remove(c.path(c.id))
		c.id = ""
	}
}

// make makes a copy in the place of the one that is there.
func (c *copies) make(ctx context.Context) (string, error) {
	select {
	case c.making <- struct{}{}:
		defer func() { <-c.making }()
	default:
		return "", errBusy
	}
	if !c.drop(0) {
		return "", errBusy
	}
	id := rand.Text()
	if _, err := c.store.Copy(ctx, c.path(id), nil); err != nil {
		return "", err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.id, c.used, c.fetched = id, time.Now(), false
	return id, nil
}

// drop removes the copy if nobody reads it and nobody did for as long. It returns false if it is still there.
func (c *copies) drop(unused time.Duration) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.id == "" {
		return true
	}
	if c.readers > 0 || time.Since(c.used) < unused {
		return false
	}
	os.Remove(c.path(c.id))
	c.id = ""
	return true
}

// clean removes what is left of a program that was killed. It comes before the first copy is made.
func (c *copies) clean(log *slog.Logger) {
	left, _ := filepath.Glob(globQuote(c.prefix) + "*") // the pattern is good
	for _, path := range left {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			log.Warn("an unfinished copy of the store cannot be removed", "error", err)
		}
	}
}

// run removes copies that nobody fetches, until ctx is done.
func (c *copies) run(ctx context.Context) {
	ticker := time.NewTicker(copyKept / 60)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			c.drop(0)
			return
		case <-ticker.C:
			c.drop(copyKept)
		}
	}
}

// globQuote takes the meaning out of what a pattern's signs would mean.
func globQuote(s string) string {
	var b []byte
	for i := range len(s) {
		if s[i] == '*' || s[i] == '?' || s[i] == '[' {
			b = append(b, '[', s[i], ']')
			continue
		}
		b = append(b, s[i])
	}
	return string(b)
}

// forget removes a copy that was fetched to its end: it takes as much room as the store.
func (d *Door) forget(w http.ResponseWriter, r *http.Request) {
	d.copies.forget(r.URL.Query().Get("id"))
	w.WriteHeader(http.StatusNoContent)
}

// backup sends a copy: a new one, or with ?id= the rest of one that was begun. The entity tag is the copy's id; ranges
// are those of RFC 9110, section 14.
func (d *Door) backup(w http.ResponseWriter, r *http.Request) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(surveyTime + writeTime)) // a large copy takes minutes
	id, done, err := d.copies.take(r.Context(), r.URL.Query().Get("id"))
	switch {
	case errors.Is(err, errGone):
		problem(w, http.StatusGone, err.Error())
		return
	case errors.Is(err, errBusy):
		w.Header().Set("Retry-After", "1") // a copy for a command that was stopped ends soon
		problem(w, http.StatusServiceUnavailable, err.Error())
		return
	case err != nil:
		problem(w, http.StatusInternalServerError, err.Error())
		return
	}
	defer done()
	f, err := os.Open(d.copies.path(id))
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("reading the copy: %v", err))
		return
	}
	defer f.Close()
	w.Header().Set("ETag", `"`+id+`"`)
	w.Header().Set("Content-Type", "application/octet-stream")
	http.ServeContent(w, r, "", time.Time{}, f)
}
