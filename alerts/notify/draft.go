package notify

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A draft is what changes of alarms make of the book and the floods, before it is stored. It takes nothing of them
// away, so that a draft that was not stored leaves no trace.
type draft struct {
	plan     *plan
	book     *book
	known    map[string]*flood
	messages map[string]*Message // by key; nil: taken away
	flood    map[string]*flood   // by recipient
	order    uint64
}

// waitingLimit bounds the messages that wait for one channel; what comes then joins a digest.
const waitingLimit = 100

// draft says what changes lead to. The caller holds mu.
func (d *Desk) draft(changes []fleet.Change) *draft {
	t := &draft{
		plan: d.plan, book: d.book, known: d.flood, messages: map[string]*Message{}, flood: map[string]*flood{}, order: d.book.order,
	}
	for i := range changes {
		c := &changes[i]
		news, ok := newsOf(c)
		if !ok && !ends(c) {
			continue
		}
		channels := t.plan.channels(&c.Alarm)
		for _, who := range recipientsOf(channels) {
			t.look(who, c.At, news == Raised)
		}
		for _, to := range channels {
			switch {
			case to.Via == ViaAlertmanager:
				t.supersede(to, c)
			case ok:
				t.tell(to, news, c)
			}
		}
	}
	return t
}

// ends reports whether an Alertmanager must hear that an alarm no longer asks for anything, for whatever reason:
// people who shelved it or took it out of service know.
func ends(c *fleet.Change) bool { return c.From.Active() && !c.Alarm.State.Active() }

func (t *draft) look(who string, at time.Time, raised bool) {
	f := flood{}
	switch {
	case t.flood[who] != nil:
		f = *t.flood[who]
	case t.known[who] != nil:
		f = *t.known[who]
	}
	f = f.look(at, raised)
	t.flood[who] = &f
}

// queue returns what waits for a channel as the draft has it, oldest first.
func (t *draft) queue(to Channel) []*Message {
	var q []*Message
	for _, m := range t.book.queue(to) {
		if _, edited := t.messages[m.ID]; !edited {
			q = append(q, m)
		}
	}
	for _, m := range t.messages {
		if m != nil && m.To == to {
			q = append(q, m)
		}
	}
	slices.SortFunc(q, byOrder)
	return q
}

// tell adds a change to what a person or webhook is told.
func (t *draft) tell(to Channel, news News, c *fleet.Change) {
	queue, item := t.queue(to), newItem(news, c)
	until, quiet := t.plan.quietEnd(to, &c.Alarm, c.At)
	reason, due := "", time.Time{}
	switch {
	case quiet:
		reason, due = digestQuiet, until
	case t.flood[to.Recipient()].on:
		reason, due = digestFlood, c.At.Add(floodGather)
		if c.Alarm.Priority == fleet.High {
			due = c.At.Add(floodGatherUrgent)
		}
	case len(queue) >= waitingLimit:
		reason = digestFull
	}
	if m := gathering(queue, c.Alarm.AlarmKey, quiet); m != nil {
		t.join(m, item, due)
		return
	}
	m := &Message{ID: newID(c, to), To: to, Made: c.At, Due: due, Digest: reason}
	if reason == "" {
		m.Items = []Item{item}
	} else {
		m.join(item)
	}
	t.add(m)
}

// gathering returns the digest that an alarm joins, if one waits: that of quiet hours in such hours, and else any other,
// whether there is still a flood or not. A later message about the same alarm forbids it: the older state of the alarm
// would come after the newer one.
func gathering(queue []*Message, key fleet.AlarmKey, quiet bool) *Message {
	var found *Message
	for _, m := range queue {
		switch {
		case m.open() && quiet == (m.Digest == digestQuiet):
			found = m
		case m.find(key) >= 0:
			found = nil
		}
	}
	return found
}

// join adds an item to a digest that waits, and lets it go earlier if the item asks for that.
func (t *draft) join(m *Message, i Item, due time.Time) {
	m = m.copy()
	m.join(i)
	if !due.IsZero() && due.Before(m.Due) {
		m.Due = due
	}
	t.messages[m.ID] = m
}

// add puts a new message behind all others. One that is there already, from a commit whose end nobody saw, keeps its
// place.
func (t *draft) add(m *Message) {
	if _, edited := t.messages[m.ID]; !edited && t.book.messages[m.ID] != nil {
		return
	}
	t.order++
	m.Order = t.order
	t.messages[m.ID] = m
}

// supersede lets an Alertmanager hear how an alarm stands: it asks for the newest state and not for each step, so that
// what waits about the same alarm is taken away.
func (t *draft) supersede(to Channel, c *fleet.Change) {
	for _, m := range t.queue(to) {
		if m.find(c.Alarm.AlarmKey) >= 0 {
			t.messages[m.ID] = nil
		}
	}
	news := Returned
	if c.Alarm.State.Active() {
		news = Raised
	}
	t.add(&Message{ID: newID(c, to), To: to, Made: c.At, Items: []Item{newItem(news, c)}})
}

// edits returns what has to be stored.
func (t *draft) edits() (map[string][]byte, error) {
	edits := map[string][]byte{}
	for id, m := range t.messages {
		var body []byte
		if m != nil {
			var err error
			if body, err = m.encode(); err != nil {
				return nil, err
			}
		}
		edits[messagePrefix+id] = body
	}
	return edits, nil
}
