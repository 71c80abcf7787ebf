package door

import (
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"iter"
	"net/http"
	"net/url"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// batchItems is how many frames or changes travel together: enough that the parts of a message cost little, few enough
// for memory.
const batchItems = 256

// A batch is a piece of a stream, in the encoding of encoding/gob. The last one says so: a stream without it was cut.
type batch[T any] struct {
	Layouts [][]fleet.Point // new ones; frames name them by their number, from the first of the stream on
	Items   []T
	Last    bool
}

// A sentFrame is a frame as it travels.
type sentFrame struct {
	Controller fleet.ControllerID
	Group      fleet.Group
	At         int64 // nanoseconds since 1970
	Restamped  bool
	Late, Took time.Duration
	Outcome    fleet.Outcome
	Layout     int // 1 is the first; 0: none
	Values     []fleet.Value
}

// frames streams frames. The store is read in batches of its own, and no transaction waits for the reader.
func (d *Door) frames(w http.ResponseWriter, r *http.Request) {
	q := store.Query{}
	for _, id := range r.URL.Query()["controller"] {
		q.Controllers = append(q.Controllers, fleet.ControllerID(id))
	}
	var err error
	if q.From, q.To, err = period(r.URL.Query()); err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	known := map[string]int{}
	send(d, w, d.store.Frames(r.Context(), q), func(b *batch[sentFrame], f *fleet.Frame) {
		s := sentFrame{
			Controller: f.Controller, Group: f.Group, At: f.At.UnixNano(), Restamped: f.Restamped, Late: f.Late, Took: f.Took,
			Outcome: f.Outcome, Values: f.Values,
		}
		if f.Layout != nil {
			if s.Layout = known[f.Layout.ID]; s.Layout == 0 {
				s.Layout = len(known) + 1
				known[f.Layout.ID] = s.Layout
				b.Layouts = append(b.Layouts, f.Layout.Points)
			}
		}
		b.Items = append(b.Items, s)
	})
}

// changes streams the changes of alarms.
func (d *Door) changes(w http.ResponseWriter, r *http.Request) {
	from, to, err := period(r.URL.Query())
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	send(d, w, d.store.Changes(r.Context(), from, to), func(b *batch[fleet.Change], c *fleet.Change) {
		b.Items = append(b.Items, *c)
	})
}

func period(v url.Values) (from, to time.Time, err error) {
	if from, err = parseTime(v, "from"); err == nil {
		to, err = parseTime(v, "to")
	}
	return from, to, err
}

// send streams items. Where an error ends it, the connection is cut, as in [Door.export].
func send[T, S any](d *Door, w http.ResponseWriter, all iter.Seq2[T, error], add func(*batch[S], *T)) {
	w.Header().Set("Content-Type", "application/octet-stream")
	out := gob.NewEncoder(w)
	var b batch[S]
	sent := false
	for item, err := range all {
		if err != nil && !sent {
			problem(w, http.StatusInternalServerError, err.Error())
			return
		}
		if err == nil {
			if add(&b, &item); len(b.Items) < batchItems {
				continue
			}
			err, sent = out.Encode(b), true
		}
		if err != nil {
			d.log.Warn("an answer to a command was cut short", "error", err)
			panic(http.ErrAbortHandler) // net/http's own way to cut a connection
		}
		b = batch[S]{Items: b.Items[:0]}
	}
	b.Last = true
	if out.Encode(b) != nil {
		panic(http.ErrAbortHandler)
	}
}

// Frames gives what [store.Store.Frames] gives, as the daemon reads it.
func (c *Client) Frames(ctx context.Context, q store.Query) iter.Seq2[fleet.Frame, error] {
	v := formPeriod(q.From, q.To)
	for _, id := range q.Controllers {
		v.Add("controller", string(id))
	}
	return func(yield func(fleet.Frame, error) bool) {
		var layouts []*fleet.Layout
		err := receiveAll(ctx, c, pathFrames, v, func(b *batch[sentFrame]) (bool, error) {
			for _, points := range b.Layouts {
				layouts = append(layouts, fleet.NewLayout(points))
			}
			for i := range b.Items {
				f, err := b.Items[i].frame(layouts)
				if err != nil || !yield(f, nil) {
					return false, err
				}
			}
			return true, nil
		})
		if err != nil {
			yield(fleet.Frame{}, err)
		}
	}
}

func (s *sentFrame) frame(layouts []*fleet.Layout) (fleet.Frame, error) {
	f := fleet.Frame{
		Controller: s.Controller, Group: s.Group, At: time.Unix(0, s.At).UTC(), Restamped: s.Restamped, Late: s.Late, Took: s.Took,
		Outcome: s.Outcome, Values: s.Values,
	}
	if s.Layout < 0 || s.Layout > len(layouts) {
		return f, errors.New("reading the daemon's answer: it names a layout that it did not send; is it of the same version?")
	}
	if s.Layout > 0 {
		f.Layout = layouts[s.Layout-1]
	}
	return f, nil
}

// Changes gives what [store.Store.Changes] gives, as the daemon reads it.
func (c *Client) Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return func(yield func(fleet.Change, error) bool) {
		err := receiveAll(ctx, c, pathChanges, formPeriod(from, to), func(b *batch[fleet.Change]) (bool, error) {
			for i := range b.Items {
				if !yield(b.Items[i], nil) {
					return false, nil
				}
			}
			return true, nil
		})
		if err != nil {
			yield(fleet.Change{}, err)
		}
	}
}

func formPeriod(from, to time.Time) url.Values {
	v := url.Values{}
	for name, at := range map[string]time.Time{"from": from, "to": to} {
		if !at.IsZero() {
			v.Set(name, at.UTC().Format(time.RFC3339Nano))
		}
	}
	return v
}

// receiveAll takes the batches of a stream until take wants no more.
func receiveAll[T any](ctx context.Context, c *Client, path string, query url.Values, take func(*batch[T]) (bool, error)) error {
	a, err := c.get(ctx, path, query, nil)
	if err != nil {
		return err
	}
	defer a.Body.Close()
	in := gob.NewDecoder(a.Body)
	for {
		var b batch[T]
		err := in.Decode(&b)
		switch {
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return fmt.Errorf("the daemon cut its answer short; its log says why: %w", err)
		case err != nil:
			return fmt.Errorf("reading the daemon's answer: %w; is it of the same version?", err)
		}
		if more, err := take(&b); err != nil || !more || b.Last {
			return err
		}
	}
}
