package notify

import (
	"bytes"
	"context"
	"maps"
	"strings"

	"ringwarden/fleet"
)

// toldLimit bounds the changes that are told of before the store has them: whoever puts changes keeps no more of them
// either. Of more the oldest is forgotten here.
const toldLimit = 16384

// A changeID tells changes apart.
type changeID struct {
	key      fleet.AlarmKey
	at       int64
	from, to fleet.AlarmState
}

func idOf(c *fleet.Change) changeID {
	return changeID{c.Alarm.AlarmKey, c.At.UnixNano(), c.From, c.Alarm.State}
}

// An owed is what the store lacks of the book while it refuses to be written to: people are told all the same.
type owed struct {
	behind  bool              // the store refused the last edit, or took it and said otherwise
	told    []changeID        // changes that the book tells of and the store was not known to take, oldest first
	known   map[changeID]bool // those
	records map[string][]byte // of what was given up; the book knows their keys, which bound them
}

// untold returns the changes that the book does not tell of yet.
func (o *owed) untold(changes []fleet.Change) []fleet.Change {
	if len(o.told) == 0 {
		return changes
	}
	var fresh []fleet.Change
	for i := range changes {
		if !o.known[idOf(&changes[i])] {
			fresh = append(fresh, changes[i])
		}
	}
	return fresh
}

// owe notes that the book tells of changes that the store has refused.
func (o *owed) owe(changes []fleet.Change) {
	for i := range changes {
		id := idOf(&changes[i])
		o.told = append(o.told, id)
		o.known[id] = true
	}
	if n := len(o.told) - toldLimit; n > 0 {
		o.forget(n)
	}
}

// took notes that the store has taken changes. Whatever is owed from before them was dropped by whoever put it.
func (o *owed) took(changes []fleet.Change) {
	taken := map[changeID]bool{}
	for i := range changes {
		taken[idOf(&changes[i])] = true
	}
	for n := len(o.told); n > 0; n-- {
		if taken[o.told[n-1]] {
			o.forget(n)
			return
		}
	}
}

func (o *owed) forget(n int) {
	for _, id := range o.told[:n] {
		delete(o.known, id)
	}
	o.told = append([]changeID(nil), o.told[n:]...)
}

// lag notes that the store refuses what it is given. The caller holds mu.
func (d *Desk) lag(err error) {
	if !d.owed.behind {
		d.log.Warn("the store does not keep messages: they wait in memory and are sent from there; if the program ends before the store works again, some may be sent twice, or not at all", "error", err)
	}
	d.owed.behind = true
}

// caughtUp notes that the store has what the book has. The caller holds mu.
func (d *Desk) caughtUp() {
	if d.owed.behind {
		d.log.Info("the store keeps messages again")
	}
	d.owed.behind = false
	clear(d.owed.records)
}

// whole returns the edits that make the store's outbox what the book is with a draft on it. The caller holds mu.
func (d *Desk) whole(ctx context.Context, t *draft) (map[string][]byte, error) {
	stored, err := d.store.Outbox(ctx, "")
	if err != nil {
		return nil, err
	}
	messages := maps.Clone(d.book.messages)
	maps.Copy(messages, t.messages)
	maps.DeleteFunc(messages, func(_ string, m *Message) bool { return m == nil })
	edits, err := (&draft{messages: messages}).edits()
	if err != nil {
		return nil, err
	}
	maps.Copy(edits, d.owed.records)
	for key, body := range stored {
		if wanted, ok := edits[key]; ok {
			if bytes.Equal(body, wanted) {
				delete(edits, key)
			}
			continue
		}
		switch _, err := decodeMessage(body); {
		case strings.HasPrefix(key, messagePrefix) && err == nil, strings.HasPrefix(key, recordPrefix) && !d.book.recorded(key):
			edits[key] = nil
		}
	}
	return edits, nil
}

// edit changes the book, and the store as far as it lets itself be changed. The caller holds mu.
func (d *Desk) edit(ctx context.Context, messages map[string]*Message, records map[string][]byte) {
	for id, m := range messages {
		d.book.put(id, m)
	}
	defer d.report()
	if !d.owed.behind {
		edits, err := (&draft{messages: messages}).edits()
		if err == nil {
			maps.Copy(edits, records)
			err = d.store.PutOutbox(ctx, edits)
		}
		if err == nil {
			return
		}
		d.lag(err)
	}
	for key, body := range records {
		delete(d.owed.records, key)
		if body != nil {
			d.owed.records[key] = body
		}
	}
	d.catchUp(ctx)
}

// catchUp gives the store what it lacks. Messages whose changes it lacks wait for those: [Desk.PutChanges] gives it
// both. The caller holds mu.
func (d *Desk) catchUp(ctx context.Context) {
	if !d.owed.behind || len(d.owed.told) > 0 {
		return
	}
	edits, err := d.whole(ctx, &draft{})
	if err == nil {
		err = d.store.PutOutbox(ctx, edits)
	}
	if err == nil {
		d.caughtUp()
	}
}
