package notify

import (
	"context"
	"errors"
	"maps"
	"math/rand/v2"
	"time"
)

// How failed tries are repeated.
const (
	backoffFirst = 5 * time.Second
	backoffLimit = 5 * time.Minute
	// triesLimit is when a message is given up: with the waits between tries, after about a day of trying. It counts
	// tries and not hours, so that a clock that is set, or a day without power, gives up nothing.
	triesLimit = 300
)

// backoff returns how long to wait after so many failed tries: twice as long each time, with a jitter of a quarter, so
// that those who failed together do not come back together.
func backoff(tries int, random float64) time.Duration {
	d := backoffLimit
	if shift := tries - 1; shift < 16 {
		d = min(backoffFirst<<max(0, shift), backoffLimit)
	}
	return time.Duration(float64(d) * (0.75 + random*0.25))
}

// settle keeps what became of a try, and returns how long to wait before the next one. The caller holds mu.
func (d *Desk) settle(ctx context.Context, m *Message, err error) time.Duration {
	if _, waits := d.book.messages[m.ID]; !waits {
		return 0 // it was superseded meanwhile
	}
	m, counts := m.copy(), d.countsOf(m.To)
	var refused refusal
	switch {
	case err == nil:
		if !m.sent {
			counts.sent++
			d.log.Info("told of alarms", "to", m.To.String(), "message", m.ID, "alarms", len(m.Items)+m.More, "failed_tries", m.Tries)
		}
		m.sent = true
		if err := d.edit(ctx, map[string]*Message{m.ID: nil}, nil); err != nil {
			d.log.Error("a message was sent, and the store does not take note of it: it would be sent again after a restart", "message", m.ID, "error", err)
			m.Due = time.Now().Add(backoffFirst)
			d.book.put(m.ID, m)
			return backoffFirst
		}
		return 0
	case errors.As(err, &refused), m.Tries+1 >= triesLimit:
		counts.failed++
		m.Tries++
		m.Error = oneLine(err.Error())
		if !d.giveUp(ctx, m) {
			return backoffFirst
		}
		return 0
	}
	counts.failed++
	m.Tries++
	m.Error = oneLine(err.Error())
	wait := backoff(m.Tries, rand.Float64())
	m.Due = time.Now().Round(0).Add(wait)
	if m.Tries == 1 {
		d.log.Warn("telling of alarms failed, and is tried again", "to", m.To.String(), "message", m.ID, "error", m.Error)
	}
	if err := d.keep(ctx, m); err != nil {
		d.book.put(m.ID, m) // what is lost with the process is only how often it was tried
	}
	d.report()
	return wait
}

// keep stores a message as it is now. The caller holds mu.
func (d *Desk) keep(ctx context.Context, m *Message) error {
	return d.edit(ctx, map[string]*Message{m.ID: m}, nil)
}

// edit stores edits of the book and takes them over. The caller holds mu.
func (d *Desk) edit(ctx context.Context, messages map[string]*Message, edits map[string][]byte) error {
	all, err := (&draft{messages: messages}).edits()
	if err != nil {
		return err
	}
	maps.Copy(all, edits)
	if err := d.store.PutOutbox(ctx, all); err != nil {
		return err
	}
	for id, m := range messages {
		d.book.put(id, m)
	}
	d.report()
	return nil
}
