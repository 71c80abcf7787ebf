package door

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/export"
)

// export streams a table. Where an error ends it, the connection is cut, so that the client cannot take it for whole.
func (d *Door) export(w http.ResponseWriter, r *http.Request) {
	q, err := parseQuery(r.URL.Query())
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	out := &counted{w: w}
	pieces := &pieceWriter{w: out, now: time.Now, told: time.Now()}
	_, err = export.Write(r.Context(), pieces, d.store, q, pieces.progress)
	if err == nil {
		err = pieces.err
	}
	if err != nil {
		if out.n == 0 {
			problem(w, http.StatusInternalServerError, err.Error())
			return
		}
		d.log.Warn("an export was cut short", "error", err)
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection
	}
	if st, err := d.store.Stat(); err == nil && st.Damaged+uint64(st.Quarantined) > 0 {
		w.Header().Set(http.TrailerPrefix+trailerDamaged, "left out")
	}
}

// trailerDamaged comes behind a table that may lack what cannot be read any more: only then is it known.
const trailerDamaged = "Ringwarden-Damaged"

// counted counts the bytes that pass.
type counted struct {
	w http.ResponseWriter
	n int64
}

// Write passes b on.
func (c *counted) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}

// formQuery and parseQuery are each other's inverse.
func formQuery(q export.Query) url.Values {
	v := formPeriod(q.From, q.To)
	v["format"], v["point"] = []string{string(q.Format)}, q.Points
	for _, id := range q.Controllers {
		v.Add("controller", string(id))
	}
	if q.Rollups != nil {
		v.Set("resolution", q.Rollups.String())
	}
	return v
}

func parseQuery(v url.Values) (q export.Query, err error) {
	q.Format, q.Points = export.Format(v.Get("format")), v["point"]
	for _, id := range v["controller"] {
		q.Controllers = append(q.Controllers, fleet.ControllerID(id))
	}
	if q.Format != export.CSV && q.Format != export.Parquet {
		return q, fmt.Errorf("unknown format %q; known are csv and parquet", q.Format)
	}
	if q.From, q.To, err = period(v); err != nil {
		return q, err
	}
	if word := v.Get("resolution"); word != "" {
		r, ok := ParseResolution(word)
		if !ok {
			return q, fmt.Errorf("unknown resolution %q; known are 5m, 1h, 1d", word)
		}
		q.Rollups = &r
	}
	return q, nil
}

// ParseResolution returns the resolution of a word such as 5m.
func ParseResolution(word string) (store.Resolution, bool) {
	for _, r := range []store.Resolution{store.FiveMinutes, store.Hour, store.Day} {
		if r.String() == word {
			return r, true
		}
	}
	return 0, false
}

func parseTime(v url.Values, name string) (time.Time, error) {
	if v.Get(name) == "" {
		return time.Time{}, nil
	}
	at, err := time.Parse(time.RFC3339Nano, v.Get(name))
	if err != nil {
		return time.Time{}, fmt.Errorf("%s %q is no instant such as 2026-03-01T00:00:00Z", name, v.Get(name))
	}
	return at, nil
}

// A noteJSON is a note as it travels.
type noteJSON struct {
	At      time.Time     `json:"at"`
	Subject fleet.Subject `json:"subject,omitempty"`
	Who     string        `json:"who,omitempty"`
	Text    string        `json:"text"`
}

// maxNotes bounds an answer.
const maxNotes = 10_000

func (d *Door) notes(w http.ResponseWriter, r *http.Request) {
	from, err := parseTime(r.URL.Query(), "from")
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	all := []noteJSON{}
	for n, err := range d.store.Notes(r.Context(), from, time.Time{}) {
		switch {
		case err != nil:
			problem(w, http.StatusInternalServerError, err.Error())
			return
		case len(all) == maxNotes:
			problem(w, http.StatusInsufficientStorage, fmt.Sprintf("there are more than %d notes since then; ask for a shorter time", maxNotes))
			return
		}
		all = append(all, noteJSON(n))
	}
	answer(w, all)
}

func (d *Door) putNote(w http.ResponseWriter, r *http.Request) {
	var n noteJSON
	body := json.NewDecoder(http.MaxBytesReader(w, r.Body, 4*store.MaxNote))
	body.DisallowUnknownFields()
	if err := body.Decode(&n); err != nil {
		problem(w, http.StatusBadRequest, fmt.Sprintf("reading the note: %v", err))
		return
	}
	err := d.store.PutNote(r.Context(), fleet.Note(n))
	switch {
	case errors.Is(err, store.ErrInvalid):
		problem(w, http.StatusUnprocessableEntity, err.Error())
	case err != nil:
		problem(w, http.StatusInternalServerError, err.Error())
	default:
		w.WriteHeader(http.StatusCreated)
	}
}
