package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// recordsLimit bounds the records of what was given up; the oldest go first.
const recordsLimit = 256

// abandon gives up what waits for those who are no longer in the fleet file.
func (d *Desk) abandon(ctx context.Context, sinks map[Channel]sink) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, m := range d.book.messages {
		if _, ok := sinks[m.To]; !ok {
			m = m.copy()
			m.Error = "the fleet file no longer says how to reach them"
			d.giveUp(ctx, m)
		}
	}
}

// A record says what was given up, when and why.
type record struct {
	At      time.Time `json:"at"`
	Message *Message  `json:"message"`
}

// giveUp takes a message away and leaves a record of it. The caller holds mu.
func (d *Desk) giveUp(ctx context.Context, m *Message) {
	now := time.Now()
	body, err := json.Marshal(record{now, m})
	if err != nil {
		body = []byte("{}") // its texts were written before, so this cannot be
	}
	key := recordPrefix + now.UTC().Format("20060102T150405.000000000") + "/" + m.ID
	edits := map[string][]byte{key: body}
	records := append(d.book.records[:len(d.book.records):len(d.book.records)], key)
	for len(records) > recordsLimit {
		edits[records[0]] = nil
		records = records[1:]
	}
	d.book.records = records
	d.countsOf(m.To).givenUp++
	d.edit(ctx, map[string]*Message{m.ID: nil}, edits)
	d.log.Error("gave up telling of alarms", "to", m.To.String(), "message", m.ID, "tries", m.Tries, "error", m.Error, "alarms", subjects(m))
}

// subjects says what a message was about, for the log.
func subjects(m *Message) string {
	i := m.Items[0].Alarm
	if n := len(m.Items) + m.More - 1; n > 0 {
		return fmt.Sprintf("%s on %s and %d more", i.Kind, i.Subject, n)
	}
	return fmt.Sprintf("%s on %s", i.Kind, i.Subject)
}
