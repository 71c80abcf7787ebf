// Package road is the one road of data inside the program: whoever makes frames (the poller, a simulation, a replay)
// puts them here, and each goes to the metrics and the alarm engine at once and to the store in a commit for many.
// At every tick the engine judges what has come, and its changes are logged, exported and stored before the next tick.
//
// It is wiring, and so part of the command: no other room imports it.
package road

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// Journal is what the road wants of a store.
type Journal interface {
	// Append must have the frames on disk when it returns nil, all of them or none.
	Append(ctx context.Context, frames []fleet.Frame) error
	PutChanges(ctx context.Context, changes []fleet.Change) error
}

// Judge is what the road wants of the alarm engine. It is called from one goroutine at a time.
type Judge interface {
	// Put must not keep f after it returns.
	Put(f *fleet.Frame)
	Advance(now time.Time) []fleet.Change
	Alarms() []fleet.Alarm
	// Report says whether a condition of the program's own store holds, and why; no frame tells of that.
	Report(kind fleet.Kind, holds bool, why string)
	// StepClock says that the machine's clock was stepped, and whether what was read before moved along.
	StepClock(before, after time.Time, moved bool)
	// Looks returns what is to be polled once more at once, for the judge to decide the sooner.
	Looks(now time.Time) []alerts.Look
	// Eager reports whether what came since the last Advance may decide a doubt, so that the next one is worth its while at once.
	Eager() bool
}

// Looker polls a group of a controller once more, if it can. It must not block.
type Looker interface {
	Look(id fleet.ControllerID, g fleet.Group)
}

// Watcher takes frames and changes as they come: the metrics, a live view. Its methods are called from several
// goroutines, must not keep what they are given, and must not block.
type Watcher interface {
	Put(f *fleet.Frame)
	PutChanges(changes []fleet.Change)
}

// Limits of what waits for the disk.
const (
	// commitFrames is how many waiting frames start a commit before its time, so that a large fleet's memory stays
	// small; such a fleet has a server's disk.
	commitFrames = 4096
	// maxFrames is how many frames wait at most while the store fails, and maxReadings how many readings may be in
	// them (40 MiB: 29 hours of 5 controllers of 20 points every 10 s); then the oldest are dropped and counted.
	maxFrames   = 32 * commitFrames
	maxReadings = 1 << 20
	// maxChanges is the same for changes of alarms, which are few.
	maxChanges = 16384
)

// A Road carries frames. Make one with [New].
type Road struct {
	journal  Journal
	watchers []Watcher
	log      *slog.Logger
	commit   time.Duration
	full     chan struct{} // holds one token when commitFrames are waiting
	eager    chan struct{} // holds one token when the judge is eager

	mu      sync.Mutex // guards all below; held while the judge works, never while the disk does
	judge   Judge
	waiting []fleet.Frame
	filled  int // readings in waiting
	carried uint64
	dropped uint64
	refused uint64         // dropped because the journal can never take them
	failing [givings]error // why the journal failed the last time; nil: it did not
	acted   []fleet.Change // by people, not yet announced; once maxChanges wait, nobody can act

	// Only the goroutine that ticks uses these.
	changes    []fleet.Change // not yet in the journal
	lastCommit time.Time
	looker     Looker // nil: nobody looks
}

// New returns a road on which frames wait for the journal for commit at the longest.
func New(journal Journal, judge Judge, commit time.Duration, log *slog.Logger, watchers ...Watcher) *Road {
	return &Road{
		journal: journal, judge: judge, watchers: watchers, log: log, commit: commit,
		full: make(chan struct{}, 1), eager: make(chan struct{}, 1),
	}
}

// LookWith lets the judge have its second looks; before that, or with nil, it goes by the polls alone. Call it before the
// first tick.
func (r *Road) LookWith(l Looker) { r.looker = l }

// Put carries one frame. It may be called from several goroutines and keeps nothing of f. How late the frame was and how
// long it took go on in whole milliseconds: below them is noise, which would be most of what a frame takes on the disk.
func (r *Road) Put(f *fleet.Frame) {
	whole := *f
	whole.Late, whole.Took = f.Late.Truncate(time.Millisecond), f.Took.Truncate(time.Millisecond)
	f = &whole
	for _, w := range r.watchers {
		w.Put(f)
	}
	r.mu.Lock()
	r.judge.Put(f)
	r.carried++
	r.waiting = append(r.waiting, *f.Clone())
	r.filled += len(f.Values)
	r.bound()
	enough, eager := len(r.waiting) >= commitFrames, r.judge.Eager()
	r.mu.Unlock()
	if enough {
		signal(r.full)
	}
	if eager {
		signal(r.eager)
	}
}

// signal puts a token into a channel that holds one, if it has none.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Eager gives a token when a frame came that makes it worth to call [Road.Tick] before it is due.
func (r *Road) Eager() <-chan struct{} { return r.eager }

// bound forgets the oldest waiting frames if there are too many, some at a time, since that moves all others. The
// caller holds mu.
func (r *Road) bound() {
	n := max(0, len(r.waiting)-maxFrames)
	for left := r.filled; left > maxReadings && n < len(r.waiting); n++ {
		left -= len(r.waiting[n].Values)
	}
	if n > 0 {
		r.drop(min(n+len(r.waiting)/32, len(r.waiting)))
	}
}

// drop forgets the n oldest waiting frames. The caller holds mu.
func (r *Road) drop(n int) {
	r.dropped += uint64(n)
	for i := range r.waiting[:n] {
		r.filled -= len(r.waiting[i].Values)
	}
	kept := copy(r.waiting, r.waiting[n:])
	clear(r.waiting[kept:])
	r.waiting = r.waiting[:kept]
}

// Carried says how many frames were put so far.
func (r *Road) Carried() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.carried
}

// Backlog says how many frames wait for the disk, and how many were dropped: because it failed for too long, or
// because they can never be stored.
func (r *Road) Backlog() (waiting int, dropped uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.waiting), r.dropped + r.refused
}

// Left returns the frames that wait for the disk, once nobody puts frames any more: those that [Road.Close] could not store.
func (r *Road) Left() []fleet.Frame {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.waiting
}

// Alarms returns the alarms that are not normal.
func (r *Road) Alarms() []fleet.Alarm {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.judge.Alarms()
}

// Judging calls f while nobody else uses the judge: to give it other rules, or to write down what it knows.
func (r *Road) Judging(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

// Act lets a person do something with the judge: f is called while nobody else uses it, and what changed by it is
// announced and stored at the next tick, as the judge's own changes are.
func (r *Road) Act(f func() ([]fleet.Change, error)) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.acted) >= maxChanges {
		return errors.New("too much has been asked for at once; ask again in a second")
	}
	changes, err := f()
	r.acted = append(r.acted, changes...)
	return err
}

// Tick judges what has come up to now, and commits if it is time to. One goroutine ticks.
func (r *Road) Tick(ctx context.Context, now time.Time) {
	r.mu.Lock()
	changes := append(r.acted, r.judge.Advance(now)...)
	r.acted = nil
	var looks []alerts.Look
	if r.looker != nil {
		looks = r.judge.Looks(now)
	}
	r.mu.Unlock()
	for _, l := range looks {
		r.looker.Look(l.Controller, l.Group)
	}
	if len(changes) > 0 {
		r.announce(changes)
	}
	if len(r.changes) > 0 {
		r.keepChanges(ctx)
	}
	if r.lastCommit.IsZero() {
		r.lastCommit = now
	}
	if r.due(now) {
		r.Flush(ctx)
		r.lastCommit = now
	}
}

func (r *Road) due(now time.Time) bool {
	select {
	case <-r.full:
		return true
	default:
		// A clock that was set back must not stop the commits.
		return now.Sub(r.lastCommit) >= r.commit || now.Before(r.lastCommit)
	}
}

func (r *Road) announce(changes []fleet.Change) {
	for _, w := range r.watchers {
		w.PutChanges(changes)
	}
	for i := range changes {
		logChange(r.log, &changes[i])
	}
	r.changes = append(r.changes, changes...)
	if n := len(r.changes) - maxChanges; n > 0 {
		r.log.Error("changes of alarms were dropped, since the store has failed for too long", "changes", n)
		r.changes = append([]fleet.Change(nil), r.changes[n:]...)
	}
}

// Ready returns nil once frames come and as long as the store takes them.
func (r *Road) Ready() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.carried == 0 {
		return errors.New("no controller has been polled yet")
	}
	if err := r.behind(); err != nil {
		return fmt.Errorf("the store is behind: %w", err)
	}
	return nil
}

// Close judges a last time and stores what is still waiting, once nobody puts frames any more; ctx limits how long
// that may take.
func (r *Road) Close(ctx context.Context, now time.Time) {
	r.Tick(ctx, now)
	r.Flush(ctx)
}

func logChange(log *slog.Logger, c *fleet.Change) {
	a := &c.Alarm
	level := slog.LevelInfo
	if a.State.Active() {
		level = slog.LevelWarn
	}
	attrs := []any{
		"kind", string(a.Kind), "subject", string(a.Subject), "priority", a.Priority.String(),
		"from", c.From.String(), "to", a.State.String(), "since", a.Since.UTC().Format(time.RFC3339),
	}
	if a.Advice != "" && a.State.Active() {
		attrs = append(attrs, "first", a.Advice)
	}
	if a.Caution != "" && a.State.Active() {
		attrs = append(attrs, "caution", a.Caution)
	}
	if c.Who != "" {
		attrs = append(attrs, "who", c.Who)
	}
	if c.Why != "" {
		attrs = append(attrs, "why", c.Why)
	}
	log.Log(context.Background(), level, a.Text, attrs...)
}
