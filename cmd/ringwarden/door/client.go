package door

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"mime"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/export"
)

// A Client asks the daemon that has a store open on this machine.
type Client struct{ http http.Client }

// base is where everything behind the door lies: the socket knows no names, and HTTP wants one.
const base = "http://localhost"

// NewClient returns a client of the daemon that has a store open, for a user. It opens no connection yet.
func NewClient(store, user string) *Client {
	return &Client{http.Client{Transport: Transport(store, user)}}
}

// Transport returns the way to the daemon that has a store open, for a user's commands. There is no limit for all of an
// answer, which may be gigabytes.
func Transport(store, user string) http.RoundTripper {
	return &named{url.PathEscape(user), &http.Transport{
		DisableKeepAlives: true, ResponseHeaderTimeout: surveyTime + writeTime,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return Dial(ctx, store) },
	}}
}

// A named transport says whose requests it carries.
type named struct {
	user string
	http.RoundTripper
}

// RoundTrip carries a copy of the request with the name.
func (n *named) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	r.Header.Set(userHeader, n.user)
	return n.RoundTripper.RoundTrip(r)
}

// Stat returns what the daemon's store holds.
func (c *Client) Stat(ctx context.Context) (v Survey, err error) {
	err = c.getJSON(ctx, pathStat, nil, &v)
	return v, err
}

// Export writes the table that the daemon makes to w, and reports whether damage may have left something out;
// progress is that of [export.Write]. An error means that it is not whole.
func (c *Client) Export(ctx context.Context, w io.Writer, q export.Query, p store.Progress) (damaged bool, err error) {
	a, err := c.get(ctx, pathExport, formQuery(q), nil)
	if err != nil {
		return false, err
	}
	defer a.Body.Close()
	_, err = receivePieces(w, a.Body, p)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("the daemon cut it short; its log says why: %w", err)
	}
	return a.Trailer.Get(trailerDamaged) != "", err
}

// Notes gives the notes at or after from and before to, oldest first. A zero from or to is no limit.
func (c *Client) Notes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Note, error] {
	return func(yield func(fleet.Note, error) bool) {
		query := url.Values{}
		if !from.IsZero() {
			query.Set("from", from.UTC().Format(time.RFC3339Nano))
		}
		var all []noteJSON
		if err := c.getJSON(ctx, pathNotes, query, &all); err != nil {
			yield(fleet.Note{}, err)
			return
		}
		for i := range all {
			if !to.IsZero() && !all[i].At.Before(to) {
				continue
			}
			if !yield(fleet.Note(all[i]), nil) {
				return
			}
		}
	}
}

// PutNote lets the daemon store a note; it is on the disk when this returns nil.
func (c *Client) PutNote(ctx context.Context, n fleet.Note) error {
	body, err := json.Marshal(noteJSON(n))
	if err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, base+pathNotes, bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	a, err := c.do(r, http.StatusCreated)
	if err != nil {
		return err
	}
	return a.Body.Close()
}

// Fetch fetches a copy of the daemon's store that is to become path, where nothing may be yet. It returns the name of the
// part beside path that is whole and synced then, for the caller to check and to [store.Place]. Where a Fetch that was
// stopped left a part behind, it goes on from that.
func (c *Client) Fetch(ctx context.Context, path string, p store.Progress) (part string, size int64, err error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return "", 0, fmt.Errorf("%s: %w", path, fs.ErrExist)
	}
	part, have := unfinished(path)
	a, err := c.fetch(ctx, part, have, path)
	if gone := new(statusError); errors.As(err, gone) && gone.status == http.StatusGone {
		os.Remove(part) // the daemon keeps that copy no more
		have = 0
		a, err = c.fetch(ctx, "", 0, path)
	}
	if err != nil {
		return "", 0, err
	}
	defer a.Body.Close()
	id := strings.Trim(a.Header.Get("ETag"), `"`)
	if strings.ContainsAny(id, `/\`) || id == "" {
		return "", 0, errors.New("the daemon's answer has no id for the copy; use the same version of both")
	}
	part = store.PartName(path, id)
	if size, err = receive(ctx, a, part, have, p); err != nil {
		return "", 0, err
	}
	c.forget(ctx, id)
	return part, size, nil
}

// forget tells the daemon that its copy is not needed any more. If it does not hear, it keeps it for a while.
func (c *Client) forget(ctx context.Context, id string) {
	r, err := http.NewRequestWithContext(ctx, http.MethodDelete, base+pathBackup+"?"+url.Values{"id": {id}}.Encode(), nil)
	if err != nil {
		return
	}
	if a, err := c.http.Do(r); err == nil {
		a.Body.Close()
	}
}

// unfinished returns what a Fetch for path left behind, and how many bytes that is.
func unfinished(path string) (part string, have int64) {
	for _, name := range store.Parts(path) {
		if info, err := os.Stat(name); err == nil {
			return name, info.Size()
		}
	}
	return "", 0
}

func (c *Client) fetch(ctx context.Context, part string, have int64, path string) (*http.Response, error) {
	if part == "" || have == 0 {
		return c.get(ctx, pathBackup, nil, nil)
	}
	id := store.PartID(path, part)
	header := http.Header{"Range": {fmt.Sprintf("bytes=%d-", have)}}
	a, err := c.get(ctx, pathBackup, url.Values{"id": {id}}, header)
	if whole := new(statusError); errors.As(err, whole) && whole.status == http.StatusRequestedRangeNotSatisfiable {
		// All of it is there, or more than there is: begin again, which costs little beside being wrong.
		os.Remove(part)
		return c.get(ctx, pathBackup, url.Values{"id": {id}}, nil)
	}
	return a, err
}

// receive appends an answer to what is there, synced, and returns the size of the whole.
func receive(ctx context.Context, a *http.Response, part string, have int64, p store.Progress) (int64, error) {
	flag := os.O_WRONLY | os.O_CREATE
	if a.StatusCode != http.StatusPartialContent {
		have, flag = 0, flag|os.O_TRUNC
	}
	f, err := os.OpenFile(part, flag, 0o640)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	if _, err := f.Seek(have, io.SeekStart); err != nil {
		return 0, err
	}
	total := have + a.ContentLength
	buffer := make([]byte, 64<<10)
	for have < total {
		n, err := io.ReadFull(a.Body, buffer[:min(int64(len(buffer)), total-have)])
		if _, err := f.Write(buffer[:n]); err != nil {
			return 0, err
		}
		have += int64(n)
		if p != nil {
			p(have, total)
		}
		if ctx.Err() != nil && have < total {
			err = context.Cause(ctx)
		}
		if err != nil {
			return 0, fmt.Errorf("%s of %s are there, and the same command goes on from them: %w", fleet.Size(have), fleet.Size(total), err)
		}
	}
	return total, errors.Join(f.Sync(), f.Close())
}

// A statusError is an answer that is none.
type statusError struct {
	status int
	detail string
}

// Error says what the daemon said.
func (e statusError) Error() string { return e.detail }

func (c *Client) get(ctx context.Context, path string, query url.Values, header http.Header) (*http.Response, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, base+path+"?"+query.Encode(), nil)
	if err != nil {
		return nil, err
	}
	if header != nil {
		r.Header = header
	}
	return c.do(r, http.StatusOK, http.StatusPartialContent)
}

// busyTries is how often a daemon is asked that says that it is busy for a second: commands that were stopped may hold their
// places until it sees that they are gone.
const busyTries = 10

// patiently sends a request, again after a second while the daemon says that it is busy for as long.
func (c *Client) patiently(r *http.Request) (*http.Response, error) {
	for try := 1; ; try++ {
		a, err := c.http.Do(r)
		if err != nil || try == busyTries || r.Body != nil || a.StatusCode != http.StatusServiceUnavailable || a.Header.Get("Retry-After") != "1" {
			return a, err
		}
		a.Body.Close()
		wait := time.NewTimer(time.Second)
		select {
		case <-wait.C:
		case <-r.Context().Done():
			wait.Stop()
			return nil, context.Cause(r.Context())
		}
	}
}

// do sends a request; the caller closes the body of an answer that has one of the wanted states.
func (c *Client) do(r *http.Request, want ...int) (*http.Response, error) {
	a, err := c.patiently(r)
	if err != nil {
		if u, ok := errors.AsType[*url.Error](err); ok {
			err = u.Err // its address is none of the user's
		}
		return nil, fmt.Errorf("asking the daemon: %w", err)
	}
	for _, status := range want {
		if a.StatusCode == status {
			return a, nil
		}
	}
	defer a.Body.Close()
	body, _ := io.ReadAll(io.LimitReader(a.Body, 64<<10)) // what came says enough
	var p details
	if kind, _, _ := mime.ParseMediaType(a.Header.Get("Content-Type")); kind == problemType && json.Unmarshal(body, &p) == nil && p.Detail != "" {
		return nil, statusError{a.StatusCode, "the daemon refused: " + p.Detail}
	}
	return nil, statusError{a.StatusCode, fmt.Sprintf("the daemon answered with status %d; is it of the same version?", a.StatusCode)}
}

// maxAnswer bounds what is read of a JSON answer, in bytes.
const maxAnswer = 64 << 20

func (c *Client) getJSON(ctx context.Context, path string, query url.Values, v any) error {
	a, err := c.get(ctx, path, query, nil)
	if err != nil {
		return err
	}
	return decode(a, v)
}

// decode reads the JSON of an answer, and closes it.
func decode(a *http.Response, v any) error {
	defer a.Body.Close()
	if err := json.NewDecoder(io.LimitReader(a.Body, maxAnswer)).Decode(v); err != nil {
		return fmt.Errorf("reading the daemon's answer: %w; is it of the same version?", err)
	}
	return nil
}
