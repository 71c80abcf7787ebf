package dashboard

import (
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"sync"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
	"ringwarden/store"
)

// A CallBook writes down the float and equalize calls of every ring as they happen: who started one, who followed and
// when, who did not. Reports read them; to find a month's calls among its single readings would take minutes.
//
// It holds next to nothing: that a controller went into such a stage, and when the call will be over ([CallBook.Put]).
// Then it reads the stored frames around it once and lets the diagnosis say what the call was ([CallBook.Keep]).
// What was under way when the daemon stopped is looked for when it begins ([CallBook.Recall]).
type CallBook struct {
	journal *store.Store
	log     *slog.Logger

	mu     sync.Mutex // guards all below
	fleet  *fleet.Fleet
	stages map[fleet.ControllerID]fleet.Stage
	due    map[fleet.RingID]time.Time // when the calls under way are over and stored
	began  map[fleet.RingID]time.Time // when the first of them was seen
}

// How far around a call its frames are read: before it to know who was able to follow, after it until the last one must
// have.
const (
	callBefore = 30 * time.Minute
	callAfter  = 10 * time.Minute
	callSame   = time.Minute // calls to one stage that are closer are one
	callMost   = time.Hour   // calls that follow each other are read together, up to this long
)

// callTick is how often calls that are over are looked for.
const callTick = 5 * time.Second

// NewCallBook returns the book of a fleet's calls, kept in the journal. It keeps f, which must not change.
func NewCallBook(f *fleet.Fleet, journal *store.Store, log *slog.Logger) *CallBook {
	b := &CallBook{
		journal: journal, log: log, fleet: f, stages: map[fleet.ControllerID]fleet.Stage{},
		due: map[fleet.RingID]time.Time{}, began: map[fleet.RingID]time.Time{},
	}
	if b.log == nil {
		b.log = slog.New(slog.DiscardHandler)
	}
	return b
}

// Recall looks, once enough has come, for calls that were not over when the daemon stopped. now is when it began.
func (b *CallBook) Recall(now time.Time) {
	stat, err := b.journal.Stat()
	if err != nil || stat.Newest.IsZero() {
		return // nothing was read before; a journal in trouble says so itself
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	stopped := earlier(now, stat.Newest)
	for i := range b.fleet.Sites {
		for k := range b.fleet.Sites[i].Rings {
			id := b.fleet.Sites[i].Rings[k].ID
			b.began[id] = stopped.Add(-callAfter - b.fleet.Commit)
			b.due[id] = now.Add(callAfter + b.fleet.Commit)
		}
	}
}

// Update takes over another fleet.
func (b *CallBook) Update(f *fleet.Fleet) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fleet = f
}

// Put notes when a controller goes into a stage that is called round the ring. It keeps nothing of the frame.
func (b *CallBook) Put(f *fleet.Frame) {
	stage, ok := f.Stage()
	if !ok {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	before, known := b.stages[f.Controller]
	b.stages[f.Controller] = stage
	if !known || before == stage || !stage.Coordinated() {
		return
	}
	ring := f.Controller.Ring()
	if _, under := b.began[ring]; !under {
		b.began[ring] = f.At
	}
	over := earlier(f.At, b.began[ring].Add(callMost))
	b.due[ring] = later(b.due[ring], over.Add(callAfter+b.fleet.Commit))
}

// PutChanges needs nothing of alarms.
func (b *CallBook) PutChanges([]fleet.Change) {}

// Run writes calls down until ctx is done. What goes wrong is logged; such a call is missing from reports.
func (b *CallBook) Run(ctx context.Context, now func() time.Time) {
	b.Recall(now())
	ticker := time.NewTicker(callTick)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			if err := b.Keep(ctx, now()); err != nil && ctx.Err() == nil {
				b.log.Error("writing down the calls of a ring; reports will not have them", "error", err)
			}
		}
	}
}

// Keep writes down the calls that are over by now.
func (b *CallBook) Keep(ctx context.Context, now time.Time) error {
	for {
		ring, periods, began := b.next(now)
		if ring == nil {
			return nil
		}
		if err := b.keep(ctx, ring, periods, began, now); err != nil {
			return err
		}
	}
}

// next takes a ring whose calls are over off the list.
func (b *CallBook) next(now time.Time) (*fleet.Ring, fleet.Periods, time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for id, due := range b.due {
		if now.Before(due) {
			continue
		}
		began := b.began[id]
		delete(b.due, id)
		delete(b.began, id)
		for i := range b.fleet.Sites {
			for k := range b.fleet.Sites[i].Rings {
				if r := &b.fleet.Sites[i].Rings[k]; r.ID == id {
					return r, b.fleet.Periods, began
				}
			}
		}
	}
	return nil, fleet.Periods{}, time.Time{}
}

func (b *CallBook) keep(ctx context.Context, ring *fleet.Ring, periods fleet.Periods, began, now time.Time) error {
	memory := diagnosis.New(ring, periods)
	ids := make([]fleet.ControllerID, len(ring.Controllers))
	for i := range ring.Controllers {
		ids[i] = ring.Controllers[i].ID
	}
	for f, err := range b.journal.Frames(ctx, store.Query{Controllers: ids, From: began.Add(-callBefore), To: now}) {
		if err != nil {
			return err
		}
		memory.Put(&f)
	}
	known, err := b.known(ctx, ring, began.Add(-callSame), now)
	if err != nil {
		return err
	}
	var fresh []store.Entry
	calls := memory.Calls()
	for i := range calls {
		c := toKeptCall(&calls[i])
		if c.at.Before(began.Add(-callSame)) || slices.ContainsFunc(known, c.same) {
			continue // it is what the reading began with, or written down already
		}
		body, err := json.Marshal(c)
		if err != nil {
			return err
		}
		fresh = append(fresh, store.Entry{At: c.at, Subject: string(ring.ID), Body: body})
	}
	if len(fresh) == 0 {
		return nil
	}
	return b.journal.PutEntries(ctx, store.BookCalls, fresh)
}

// known returns the calls of a ring that are written down of a time.
func (b *CallBook) known(ctx context.Context, ring *fleet.Ring, from, to time.Time) ([]keptCall, error) {
	var all []keptCall
	for e, err := range b.journal.Entries(ctx, store.BookCalls, from, to) {
		if err != nil {
			return nil, err
		}
		if c, ok := readCall(&e); ok && e.Subject == string(ring.ID) {
			all = append(all, c)
		}
	}
	return all, nil
}

// readCall reads an entry of the book, unless a newer program wrote it in another way.
func readCall(e *store.Entry) (keptCall, bool) {
	c := keptCall{at: e.At}
	return c, json.Unmarshal(e.Body, &c) == nil
}

// A keptCall is a call as the book has it. Fields may be added; none changes its meaning.
type keptCall struct {
	at       time.Time // the first instant at which it was seen
	Stage    string    `json:"stage"`
	Starter  string    `json:"starter"` // slug, as all names here
	Sure     float64   `json:"sure"`    // probability that it was the starter
	Starts   int       `json:"starts"`  // more than one: units began on their own within the same time
	Followed []string  `json:"followed,omitempty"`
	Missing  []string  `json:"missing,omitempty"` // could have followed and did not
	// HopLow and HopHigh bound the time for one hop, in seconds; HopHigh 0: nothing is known.
	HopLow  float64 `json:"hop_low"`
	HopHigh float64 `json:"hop_high"`
}

// same reports whether another call is this one, written down before.
func (k keptCall) same(other keptCall) bool {
	return k.Stage == other.Stage && k.at.Sub(other.at).Abs() < callSame
}

func toKeptCall(c *diagnosis.Call) keptCall {
	k := keptCall{at: c.Steps[0].By, Stage: c.Stage.String(), Starter: c.Starter.Slug(), Sure: c.Sure, Starts: c.Starts}
	for _, s := range c.Steps {
		if s.Unit != c.Starter {
			k.Followed = append(k.Followed, s.Unit.Slug())
		}
	}
	for _, id := range c.Missing {
		k.Missing = append(k.Missing, id.Slug())
	}
	if n := len(c.Steps); n > 1 && c.Starts == 1 {
		// Each step is a hop where nobody was passed over: a bound from the ends of the intervals in which each one was seen
		// to change.
		first, last := c.Steps[0], c.Steps[n-1]
		k.HopLow = max(0, last.After.Sub(first.By).Seconds()) / float64(n-1)
		k.HopHigh = last.By.Sub(first.After).Seconds() / float64(n-1)
	}
	return k
}

// reportCalls adds the newest calls of a report's time to its rings.
func (s *server) reportCalls(ctx context.Context, r *siteReport) error {
	if s.Journal == nil {
		return nil
	}
	for e, err := range s.Journal.Entries(ctx, store.BookCalls, r.span.from, r.span.to) {
		if err != nil {
			return err
		}
		i := slices.IndexFunc(r.rings, func(w ringReport) bool { return string(w.ring.ID) == e.Subject })
		if i < 0 {
			continue
		}
		c, ok := readCall(&e)
		if !ok {
			continue
		}
		w := &r.rings[i]
		if w.calls = append(w.calls, c); len(w.calls) > reportCalls {
			w.calls = w.calls[1:]
		}
	}
	return nil
}
