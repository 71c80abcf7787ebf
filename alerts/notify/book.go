package notify

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"
)

// A book is what waits to be sent. The store has the same, but for what it is owed.
type book struct {
	messages map[string]*Message // by key; a message in it is never changed, but replaced
	records  []string            // keys of the entries about what was given up, oldest first
	order    uint64              // of the newest message
}

// readBook takes the entries of an outbox apart, and returns the keys of those that make no sense. A digest that may have
// been sent already, by a process that could not note it any more, is taken as it is: what joined it now would be taken
// for a repetition by whoever got it.
func readBook(entries map[string][]byte, now time.Time) (b *book, bad []string) {
	b = &book{messages: map[string]*Message{}}
	for _, key := range slices.Sorted(maps.Keys(entries)) {
		id, waits := strings.CutPrefix(key, messagePrefix)
		if strings.HasPrefix(key, recordPrefix) {
			b.records = append(b.records, key) // the keys sort by time
			continue
		}
		m, err := decodeMessage(entries[key])
		if !waits || err != nil || m.ID != id {
			bad = append(bad, key)
			continue
		}
		if m.open() && (m.Digest != digestQuiet || !m.Due.After(now)) {
			m.Sealed, m.Due = true, time.Time{} // at once, so that nothing newer comes before it
		}
		b.put(id, m)
	}
	return b, bad
}

// recorded reports whether an entry is about something that was given up, and still kept.
func (b *book) recorded(key string) bool { return slices.Contains(b.records, key) }

// put replaces a message; nil takes it away.
func (b *book) put(id string, m *Message) {
	if m == nil {
		delete(b.messages, id)
		return
	}
	b.messages[id] = m
	b.order = max(b.order, m.Order)
}

// queue returns what waits for a channel, oldest first.
func (b *book) queue(c Channel) []*Message {
	var q []*Message
	for _, m := range b.messages {
		if m.To == c {
			q = append(q, m)
		}
	}
	slices.SortFunc(q, byOrder)
	return q
}

func byOrder(a, b *Message) int {
	return cmp.Or(cmp.Compare(a.Order, b.Order), cmp.Compare(a.ID, b.ID))
}

// next returns the message that a channel sends next, and how long that may wait; nil if there is none. One that was
// tried goes before all others, so that they keep their order and none of them hammers a way that does not work.
func (b *book) next(c Channel, now time.Time) (next *Message, wait time.Duration) {
	for _, m := range b.queue(c) {
		w := m.dueIn(now)
		switch {
		case m.Tries > 0:
			return m, w
		case next == nil || w < wait:
			next, wait = m, w
		}
	}
	return next, wait
}

// longestHold is how long a message may be held back before its first try: quiet hours end within a day.
const longestHold = 24 * time.Hour

// hurry lets what failed be tried again at once: somebody has changed something, perhaps what was wrong. What the other side
// has asked to wait for longer than our own back-off goes on waiting.
func (b *book) hurry(now time.Time) {
	for id, m := range b.messages {
		if m.Tries > 0 && m.dueIn(now) > 0 && m.dueIn(now) <= backoffLimit {
			m = m.copy()
			m.Due = now
			b.messages[id] = m
		}
	}
}

// dueIn returns how long the message must wait. A clock that was set back must not hold it: what would be longer than
// any wait of ours is over now.
func (m *Message) dueIn(now time.Time) time.Duration {
	limit := longestHold
	if m.Tries > 0 {
		limit = retryLimit
	}
	if w := m.Due.Sub(now); !m.Due.IsZero() && w > 0 && w <= limit {
		return w
	}
	return 0
}
