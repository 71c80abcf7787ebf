package notify

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"
)

// How failed tries are repeated.
const (
	backoffFirst = 5 * time.Second
	backoffLimit = 5 * time.Minute
	// retryLimit bounds what the other side may ask for by Retry-After.
	retryLimit = time.Hour
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
		counts.sent++
		d.log.Info("told of alarms", "to", m.To.String(), "message", m.ID, "alarms", len(m.Items)+m.More, "failed_tries", m.Tries)
		d.edit(ctx, map[string]*Message{m.ID: nil}, nil)
		return 0
	case errors.As(err, &refused), m.Tries+1 >= triesLimit:
		counts.failed++
		m.Tries++
		m.Error = oneLine(err.Error())
		d.giveUp(ctx, m)
		return 0
	}
	counts.failed++
	m.Tries++
	m.Error = oneLine(err.Error())
	wait := backoff(m.Tries, rand.Float64())
	if asked, ok := errors.AsType[later](err); ok {
		wait = max(wait, asked.wait)
	}
	m.Due = time.Now().Round(0).Add(wait)
	if m.Tries == 1 {
		d.log.Warn("telling of alarms failed, and is tried again", "to", m.To.String(), "message", m.ID, "error", m.Error)
	}
	d.keep(ctx, m)
	return wait
}

// keep takes a message over as it is now. The caller holds mu.
func (d *Desk) keep(ctx context.Context, m *Message) { d.edit(ctx, map[string]*Message{m.ID: m}, nil) }
