package door

import (
	"context"
	"errors"
	"net/http"
	"net/url"

	"ringwarden/alerts/notify"
)

// outbox answers with what waits to be told, and what was given up.
func (d *Door) outbox(w http.ResponseWriter, r *http.Request) {
	entries, err := d.desk.Outbox(r.Context())
	if err != nil {
		problem(w, http.StatusInternalServerError, err.Error())
		return
	}
	answer(w, notify.List(entries))
}

// A retried says how many messages were put back among those that wait.
type retried struct {
	Messages int `json:"messages"`
}

// retry puts what was given up back: the message with ?id=, or all.
func (d *Door) retry(w http.ResponseWriter, r *http.Request) {
	n, err := d.desk.Retry(r.Context(), r.URL.Query().Get("id"))
	switch {
	case errors.Is(err, notify.ErrNotGivenUp):
		problem(w, http.StatusNotFound, err.Error())
	case err != nil:
		problem(w, http.StatusInternalServerError, err.Error())
	default:
		answer(w, retried{n})
	}
}

// Outbox returns what waits to be told, and what was given up.
func (c *Client) Outbox(ctx context.Context) (all []notify.Entry, err error) {
	err = c.getJSON(ctx, pathOutbox, nil, &all)
	return all, err
}

// Retry lets the daemon try a message again that it has given up, by its key, or all if that is empty. It returns how many.
func (c *Client) Retry(ctx context.Context, id string) (int, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, base+pathOutbox+"?"+url.Values{"id": {id}}.Encode(), nil)
	if err != nil {
		return 0, err
	}
	a, err := c.do(r, http.StatusOK)
	if err != nil {
		return 0, err
	}
	var v retried
	err = decode(a, &v)
	return v.Messages, err
}
