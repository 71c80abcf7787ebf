package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// An Entry is a message that waits, or one that was given up, as a person looks through them.
type Entry struct {
	ID      string    `json:"id"`
	To      string    `json:"to"`
	Subject string    `json:"subject"` // what it is about, in a line
	Alarms  int       `json:"alarms"`
	Made    time.Time `json:"made"`
	Due     time.Time `json:"due,omitzero"`      // waits: not tried before; zero: at once
	GivenUp time.Time `json:"given_up,omitzero"` // zero: it waits
	Tries   int       `json:"tries"`             // that failed
	Error   string    `json:"error,omitempty"`   // of the last try
}

// List returns what an outbox holds, given up first, then what waits, each the oldest first. Entries that make no sense
// are left out.
func List(outbox map[string][]byte) []Entry {
	var all []Entry
	for key, body := range outbox {
		var r record
		if m, err := decodeMessage(body); err == nil && strings.HasPrefix(key, messagePrefix) {
			r.Message = m
		} else if !strings.HasPrefix(key, recordPrefix) || json.Unmarshal(body, &r) != nil || r.Message == nil || len(r.Message.Items) == 0 {
			continue
		}
		m := r.Message
		all = append(all, Entry{
			ID: m.ID, To: m.To.String(), Subject: (&plan{}).subject(m), Alarms: len(m.Items) + m.More, Made: m.Made, Due: m.Due,
			GivenUp: r.At, Tries: m.Tries, Error: m.Error,
		})
	}
	waits := func(e *Entry) int {
		if e.GivenUp.IsZero() {
			return 1
		}
		return 0
	}
	slices.SortFunc(all, func(a, b Entry) int {
		return cmp.Or(waits(&a)-waits(&b), a.GivenUp.Compare(b.GivenUp), a.Made.Compare(b.Made), cmp.Compare(a.ID, b.ID))
	})
	return all
}

// Outbox returns what the desk's outbox holds, for [List].
func (d *Desk) Outbox(ctx context.Context) (map[string][]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	entries, err := d.store.Outbox(ctx, recordPrefix)
	if err != nil {
		return nil, err
	}
	mine, err := (&draft{messages: d.book.messages}).edits()
	if err != nil {
		return nil, err
	}
	for key, body := range entries {
		mine[key] = body
	}
	for key, body := range d.owed.records {
		mine[key] = body
	}
	return mine, nil
}

// ErrNotGivenUp says that no message of that key was given up.
var ErrNotGivenUp = errors.New("no message of that key was given up, or its record is not kept any more")

// Retry puts a message that was given up back among those that wait, under its key; empty: all of them. It returns how
// many there were.
func (d *Desk) Retry(ctx context.Context, id string) (int, error) {
	entries, err := d.Outbox(ctx)
	if err != nil {
		return 0, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	for _, key := range slices.Clone(d.book.records) {
		var r record
		if json.Unmarshal(entries[key], &r) != nil || r.Message == nil || id != "" && r.Message.ID != id || len(r.Message.Items) == 0 {
			continue
		}
		m := r.Message
		m.Tries, m.Error, m.Due, m.Sealed = 0, "", time.Time{}, true
		d.book.records = slices.DeleteFunc(d.book.records, func(k string) bool { return k == key })
		d.edit(ctx, map[string]*Message{m.ID: m}, map[string][]byte{key: nil})
		d.wake(m.To)
		n++
	}
	if n == 0 && id != "" {
		return 0, fmt.Errorf("trying %s again: %w", id, ErrNotGivenUp)
	}
	return n, nil
}
