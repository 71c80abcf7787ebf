package poller

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
)

// A conn is one connection and the units behind it. Only the goroutine of run touches it.
type conn struct {
	p        *Poller
	addr     address
	assigned *assignment
	units    []*unit
	slots    []*slot // of all units
	watched  []*watched
	wishes   <-chan wish // for looks; nil: nobody can wish
	timer    *time.Timer
	asked    time.Time     // end of the last request
	record   func(Reply)   // if set, sees every request and what came of it
	patience time.Duration // how long a poll waits for a connection

	port    *port       // nil: not open
	dialing chan dialed // not nil: being opened
	waited  bool        // a poll has waited in vain for the opening under way
	openAt  time.Time   // not opened before; zero: when a poll needs it
	fails   int         // openings in a row that failed
	err     error       // the last thing that went wrong
}

// dialed is how an opening ended.
type dialed struct {
	port *port
	err  error
}

var (
	errWaiting = errors.New("the last attempts to connect failed; waiting before the next")
	errOpening = errors.New("no connection in time")
)

func newConn(p *Poller, addr address) *conn {
	c := &conn{p: p, addr: addr, timer: time.NewTimer(time.Hour), patience: p.cfg.Timeout}
	c.timer.Stop()
	return c
}

// run polls until ctx is done and leaves the connection closed. An opening that is still under way then belongs to
// the poller.
func (c *conn) run(ctx context.Context) {
	defer c.close()
	wishes, forget := c.p.wishFor(c.addr)
	defer forget()
	c.wishes = wishes
	for ctx.Err() == nil {
		now := time.Now()
		c.adopt(now)
		c.regrid(now)
		c.grantAll(now)
		s, due := pick(c.slots, now)
		w, free := pickWatched(c.watched, now)
		switch {
		case s != nil:
			c.serve(ctx, s, now)
		case w != nil:
			c.look(ctx, w, now)
		default:
			c.idle(ctx, sooner(due, free), now)
		}
	}
}

// idle waits until the next poll falls due, and opens the connection meanwhile if it is time to.
func (c *conn) idle(ctx context.Context, due, now time.Time) {
	wake := due
	if c.port == nil && c.dialing == nil && !c.openAt.IsZero() {
		if !c.openAt.After(now) {
			c.dial(ctx, c.p.cfg.Timeout)
		} else if wake.IsZero() || c.openAt.Before(wake) {
			wake = c.openAt
		}
	}
	if wake.IsZero() { // no units: waiting for the next assignment, or for the end
		wake = now.Add(time.Hour)
	}
	c.timer.Reset(wake.Sub(now))
	defer c.timer.Stop()
	select {
	case <-c.timer.C:
	case d := <-c.dialing:
		c.arrived(d)
	case <-c.assigned.replaced:
	case w := <-c.wishes:
		c.grant(w, time.Now())
	case <-ctx.Done():
	}
}

// sleep waits, and reports whether it was left to.
func (c *conn) sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	c.timer.Reset(d)
	defer c.timer.Stop()
	select {
	case <-c.timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// dial starts to open the connection. Where the connection's goroutine has ended meanwhile, nobody takes the port,
// and it is closed again.
func (c *conn) dial(ctx context.Context, timeout time.Duration) {
	result := make(chan dialed)
	c.dialing, c.waited = result, false
	open, addr := c.p.open, c.addr
	c.p.dials.start(func() {
		var d dialed
		d.port, d.err = open(addr, timeout)
		select {
		case result <- d:
		case <-ctx.Done():
			if d.port != nil {
				d.port.close()
			}
		}
	})
}

// arrived takes what an opening has led to.
func (c *conn) arrived(d dialed) {
	c.dialing, c.waited, c.openAt = nil, false, time.Time{}
	if d.err == nil {
		if c.fails > 0 {
			c.p.cfg.Logger.Info("connected again", "host", c.addr.host, "attempts", c.fails)
		}
		c.port, c.fails = d.port, 0
		return
	}
	c.err = d.err
	c.fails++
	c.openAt = time.Now().Add(c.p.cfg.Backoff.wait(c.fails))
	if c.fails == 1 {
		c.p.cfg.Logger.Warn("no connection; trying again, more and more rarely", "host", c.addr.host, "error", d.err)
	}
}

// ensure opens the connection if it is not open, or open for another time-out. It waits for that for a while, but
// once only for each opening: other polls have waited for it long enough.
func (c *conn) ensure(ctx context.Context, timeout time.Duration) error {
	if c.port != nil && c.port.timeout != timeout {
		c.close()
	}
	switch {
	case c.port != nil:
		return nil
	case c.dialing == nil && time.Now().Before(c.openAt):
		return errWaiting
	case c.dialing == nil:
		c.dial(ctx, timeout)
	case c.waited:
		return errOpening
	}
	c.timer.Reset(c.patience)
	defer c.timer.Stop()
	select {
	case d := <-c.dialing:
		c.arrived(d)
		return d.err
	case <-c.timer.C:
		c.waited = true
		return errOpening
	case <-ctx.Done():
		return ctx.Err()
	}
}

// close ends the connection, if it is open.
func (c *conn) close() {
	if c.port != nil {
		c.port.close()
		c.port = nil
	}
}

// adopt takes over the newest assignment, if it has not yet.
func (c *conn) adopt(now time.Time) {
	a := c.p.current.Load()
	if a == c.assigned {
		return
	}
	first := c.assigned == nil
	old := make(map[fleet.ControllerID]*unit, len(c.units))
	for _, u := range c.units {
		old[u.dev.ID] = u
	}
	c.assigned, c.units, c.slots = a, nil, nil
	for _, d := range a.devices[c.addr] {
		u := newUnit(d, a.periods, now, old[d.ID])
		c.units = append(c.units, u)
		c.slots = append(c.slots, u.slots...)
	}
	c.adoptWatches(now)
	if _, due := pick(c.slots, now); first && due.After(now) {
		// Some time before the first poll, so that not all connections are opened at one instant.
		c.openAt = now.Add(rand.N(due.Sub(now)))
	}
}
