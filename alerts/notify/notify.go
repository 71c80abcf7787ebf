// Package notify tells people of alarms: it decides who hears of which change, keeps what is to be said until it was
// said, and says it by mail, by signed webhooks and to Alertmanagers.
//
// The rest of the alerts room is pure; this package alone uses the clock and the network.
//
// # What a [Desk] promises
//
//   - At least once: a message is stored in the same commit as the change that it tells of, and stays in the store until
//     the other side took it or it was given up. A process that is killed in between sends it after its restart.
//   - Also without a store: while the store takes nothing, as on a full disk, messages are kept in memory, within the
//     same bounds, and sent from there; the store gets what is left of them once it works again. Only a process that
//     is killed meanwhile loses those that it had not sent, or repeats, under the same key, some that it had.
//   - One key: a message has one key from the commit on, through every try and restart (webhook-id, Message-ID), so
//     that whoever takes it can tell a repetition. Nothing is added to a message once a try has begun.
//   - Order: what goes to one recipient by one way arrives in the order in which it happened, but for what waits for
//     the end of quiet hours.
//   - No storm: tries back off, from 5 s to 5 min with jitter, and end after 300, which is about a day, with a record
//     in the store and an error in the log. More than 10 alarms in 10 minutes come as digests.
//   - Bounds: at most 100 messages wait for one recipient and way, besides digests of 100 alarms at most, one for each
//     reason to gather; what comes then joins such a digest, which counts what it has no room for.
//
// # What it does not do
//
// It tells nobody of what is suppressed, shelved or out of service, nor of what stood before it knew its routes. It tells
// again of what is urgent and acknowledged by nobody, a limited number of times, and an Alertmanager of all that stands.
//
// NOTIFY.md beside this file says what is sent, and how it is stored.
package notify

import (
	"context"
	"fmt"
	"iter"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"ringwarden/fleet"
)

// Store is what a desk wants of a store.
type Store interface {
	// PutChangesAndOutbox must store the changes and edit the outbox in one commit: all or nothing. A nil body takes an
	// entry away.
	PutChangesAndOutbox(ctx context.Context, changes []fleet.Change, edits map[string][]byte) error
	PutOutbox(ctx context.Context, edits map[string][]byte) error
	// Outbox must return every entry whose key begins with prefix.
	Outbox(ctx context.Context, prefix string) (map[string][]byte, error)
	Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error]
}

// Options are what a desk needs besides its store and fleet.
type Options struct {
	Logger *slog.Logger // nil: silent
	// Standing returns the alarms that are not normal, for those who are told again of what stands. It must not block.
	// Nil: nobody is.
	Standing func() []fleet.Alarm
	Dial     Dial // how connections are made; nil: by TCP
}

// A Desk stands between the alarm engine's changes and people. Make one with [Open]; its methods may be called from
// several goroutines.
type Desk struct {
	store    Store
	log      *slog.Logger
	standing func() []fleet.Alarm
	dial     Dial

	mu    sync.Mutex // guards all below; held while the store commits, never while the network works
	plan  *plan
	book  *book
	flood map[string]*flood // by who is told
	wakes map[Channel]chan struct{}
	owed  owed
	again again

	changed chan struct{} // holds one token when the plan is a new one
	health  atomic.Pointer[[]Health]
	counts  map[string]*counts // by sink; guarded by mu
}

// Open reads what waits in the store. The flood of the last ten minutes before now is remembered, so that a restart
// does not begin a new one. It sends nothing before [Desk.Run].
func Open(ctx context.Context, f *fleet.Fleet, s Store, now time.Time, o Options) (*Desk, error) {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Standing == nil {
		o.Standing = func() []fleet.Alarm { return nil }
	}
	d := &Desk{
		store: s, log: o.Logger, standing: o.Standing, dial: o.Dial, plan: newPlan(f),
		flood: map[string]*flood{}, wakes: map[Channel]chan struct{}{}, changed: make(chan struct{}, 1), counts: map[string]*counts{},
		owed: owed{known: map[changeID]bool{}, records: map[string][]byte{}}, again: again{},
	}
	entries, err := s.Outbox(ctx, "")
	if err != nil {
		return nil, fmt.Errorf("reading the messages that wait: %w", err)
	}
	var bad []string
	if d.book, bad = readBook(entries, now); len(bad) > 0 {
		d.log.Error("messages in the store make no sense and are left alone", "messages", len(bad), "first", bad[0])
	}
	for c, err := range s.Changes(ctx, now.Add(-floodWindow), time.Time{}) {
		if err != nil {
			return nil, fmt.Errorf("reading the last alarms: %w", err)
		}
		d.remember(&c)
	}
	d.report()
	return d, nil
}

// Update takes another fleet: who is told and how, from the next change and the next try on. What failed is tried at once.
func (d *Desk) Update(f *fleet.Fleet) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.plan = newPlan(f)
	d.book.hurry(time.Now())
	d.report()
	select {
	case d.changed <- struct{}{}:
	default:
	}
}

// PutChanges stores changes of alarms together with the messages about them. If the store refuses, the messages are sent
// from memory and the error is returned: the same changes must be put again, first, until they are taken, and lead to no
// other messages.
func (d *Desk) PutChanges(ctx context.Context, changes []fleet.Change) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	fresh := d.owed.untold(changes)
	draft := d.draft(fresh)
	edits, err := draft.edits()
	if err != nil {
		// A message that cannot be written is a bug of ours; the alarm itself must be kept.
		d.log.Error("messages about alarms could not be written", "error", err)
		draft, edits, err = d.draft(nil), nil, nil
	}
	if d.owed.behind {
		edits, err = d.whole(ctx, draft)
	}
	if err == nil {
		err = d.store.PutChangesAndOutbox(ctx, changes, edits)
	}
	d.apply(draft)
	if err != nil {
		d.lag(err)
		d.owed.owe(fresh)
		return err
	}
	d.owed.took(changes)
	d.caughtUp()
	return nil
}

// apply takes over what a draft changed. The caller holds mu.
func (d *Desk) apply(draft *draft) {
	for who, f := range draft.flood {
		d.flood[who] = f
	}
	for id, m := range draft.messages {
		d.book.put(id, m)
		if m != nil {
			d.wake(m.To)
		}
	}
	d.report()
}

// wake lets the worker of a channel look again. The caller holds mu.
func (d *Desk) wake(c Channel) {
	select {
	case d.wakes[c] <- struct{}{}:
	default: // it will look anyway, or there is none
	}
}
