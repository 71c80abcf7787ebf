package notify

import (
	"context"
	"sync"
	"time"
)

// tryTime bounds one try, from the first packet on.
const tryTime = 30 * time.Second

// graceTime is how long a try that has begun may go on when the desk is to end: one that is cut short is repeated.
const graceTime = 5 * time.Second

// A sink says messages to one channel.
type sink interface {
	// send must return nil only if the other side has taken the message, and a [refusal] if it never will.
	send(ctx context.Context, m *Message) error
	// check says what would make every try fail: a secret that cannot be read, say. It asks nobody.
	check() error
}

// A refusal is an answer that another try would not change.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// Run sends what waits until ctx is done, then waits for the tries that have begun. It returns nil.
func (d *Desk) Run(ctx context.Context) error {
	var tending sync.WaitGroup
	tending.Go(func() { d.tend(ctx) })
	defer tending.Wait()
	for ctx.Err() == nil {
		d.mu.Lock()
		plan := d.plan
		sinks, err := plan.sinks(d.dial)
		for c := range sinks {
			d.wakes[c] = make(chan struct{}, 1)
		}
		d.mu.Unlock()
		if err != nil {
			d.log.Error("some of those who are to be told of alarms cannot be reached", "error", err)
		}
		d.abandon(ctx, sinks)

		workers, stop := context.WithCancel(ctx)
		var wg sync.WaitGroup
		for c, s := range sinks {
			w := worker{desk: d, plan: plan, to: c, sink: s, wake: d.wakeOf(c)}
			wg.Go(func() { w.run(workers) })
		}
		select {
		case <-ctx.Done():
		case <-d.changed:
		}
		stop()
		wg.Wait()
	}
	return nil
}

// tendEvery is how often it is looked for what no change of an alarm brings about.
const tendEvery = 10 * time.Second

// tend gives the store what it lacks, and tells again of what is due for that, until ctx is done.
func (d *Desk) tend(ctx context.Context) {
	ticker := time.NewTicker(tendEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-ticker.C:
			standing := d.standing() // it may wait for whoever puts changes, so not while holding mu
			d.mu.Lock()
			d.remindAgain(ctx, standing, now.Round(0))
			d.catchUp(ctx)
			d.mu.Unlock()
		}
	}
}

func (d *Desk) wakeOf(c Channel) <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.wakes[c]
}

// A worker sends the messages of one channel, one after the other.
type worker struct {
	desk *Desk
	plan *plan
	to   Channel
	sink sink
	wake <-chan struct{}
}

func (w *worker) run(ctx context.Context) {
	if err := w.sink.check(); err != nil {
		w.desk.log.Error("a way to tell people of alarms needs mending", "to", w.to.String(), "error", err)
	}
	var reminder <-chan time.Time
	if r, ok := w.sink.(reminding); ok {
		t := time.NewTicker(r.every())
		defer t.Stop()
		reminder = t.C
		w.remind(ctx, r)
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-reminder:
			w.remind(ctx, w.sink.(reminding))
		case <-w.wake:
		case <-timer.C:
		}
		for ctx.Err() == nil {
			wait, some := w.step(ctx)
			if wait > 0 {
				timer.Reset(wait)
			}
			if wait > 0 || !some {
				break
			}
		}
	}
}

// step tries the next message if its time has come. It returns how long to wait for it otherwise, and false if there is
// none.
func (w *worker) step(ctx context.Context) (time.Duration, bool) {
	d := w.desk
	d.mu.Lock()
	m, wait := d.book.next(w.to, time.Now())
	if m == nil || wait > 0 {
		d.mu.Unlock()
		return wait, m != nil
	}
	if m.open() {
		m = m.copy()
		m.Sealed = true
		d.keep(ctx, m)
	}
	d.mu.Unlock()
	err := w.try(ctx, m)
	if err != nil && ctx.Err() != nil {
		return 0, false // it was cut short, which says nothing about the other side
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.settle(context.WithoutCancel(ctx), m, err), true
}

// try sends one message. When ctx ends, the try may go on for a moment.
func (w *worker) try(ctx context.Context, m *Message) error {
	trying, cancel := context.WithTimeout(context.WithoutCancel(ctx), tryTime)
	defer cancel()
	stop := context.AfterFunc(ctx, func() {
		t := time.NewTimer(graceTime)
		defer t.Stop()
		select {
		case <-t.C:
			cancel()
		case <-trying.Done():
		}
	})
	defer stop()
	return w.sink.send(trying, m)
}
