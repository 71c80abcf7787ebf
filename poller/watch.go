package poller

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"ringwarden/fleet"
)

// Limits of a watch. Twenty polls a second are as many as a person can tell apart; a device whose map wants pauses, or
// that answers slowly, is asked more rarely.
const (
	watchStep = 50 * time.Millisecond
	watchFail = time.Second // more after each failed poll in a row, up to
	watchRest = 10 * time.Second
)

// mostWatches is how many watches can be under way at once: each holds its rings' connections busy.
const mostWatches = 8

var errWatches = errors.New("as many rings as can be are being watched already; try again when one of them has ended")

// linkQuantities are what a watch asks for.
var linkQuantities = []fleet.Quantity{fleet.LinkGood, fleet.LinkBad, fleet.LinkOK, fleet.LinkAge}

// A watch asks some controllers for nothing but what they count on their cables, again and again.
type watch struct {
	ids []fleet.ControllerID

	mu   sync.Mutex // guards all below; held while the sink takes a frame
	sink Sink       // nil: the watch has ended
}

func (w *watch) put(f *fleet.Frame) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.sink != nil {
		w.sink.Put(f)
	}
}

// A watched is one unit of a watch, or of a look.
type watched struct {
	watch *watch // nil: it is looked at once, by a poll of the slot as any other
	slot  *slot  // of no poll group: it is not among the connection's
	next  time.Time
	fails int // polls in a row without an answer
}

// Watch asks some controllers for their link quantities and nothing else, each as fast as it allows and twenty times a
// second at most, until ctx is done. It asks over the connections that [Poller.Run] has, in the time that the polls that
// are due leave free, with the pauses that maps want; controllers whose map has no such quantity, or that the poller
// does not have, are left out. What they answer goes to sink and not to the poller's own, as frames that are due when
// they are sent. Nothing is put into sink after it has returned. The error says that too many watches are under way.
func (p *Poller) Watch(ctx context.Context, ids []fleet.ControllerID, sink Sink) error {
	w := &watch{ids: ids, sink: sink}
	if !p.rewatch(func(all []*watch) ([]*watch, bool) { return append(all, w), len(all) < mostWatches }) {
		return errWatches
	}
	<-ctx.Done()
	p.rewatch(func(all []*watch) ([]*watch, bool) {
		return slices.DeleteFunc(all, func(o *watch) bool { return o == w }), true
	})
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sink = nil
	return nil
}

// rewatch replaces the watches by what change makes of a copy of them, unless it says no.
func (p *Poller) rewatch(change func([]*watch) ([]*watch, bool)) bool {
	p.updating.Lock()
	defer p.updating.Unlock()
	a := *p.current.Load()
	var ok bool
	if a.watches, ok = change(slices.Clone(a.watches)); !ok {
		return false
	}
	a.replaced = make(chan struct{})
	close(p.current.Swap(&a).replaced)
	return true
}

// adoptWatches takes over the watches of the newest assignment.
func (c *conn) adoptWatches(now time.Time) {
	old := c.watched
	c.watched = nil
	for _, w := range c.assigned.watches {
		for _, u := range c.units {
			if !slices.Contains(w.ids, u.dev.ID) {
				continue
			}
			one := newWatched(w, u, now)
			for _, o := range old {
				if o.watch == w && o.slot.unit.dev.ID == u.dev.ID && o.slot.unit.dev.Map == u.dev.Map {
					one = o
					one.slot.unit = u
				}
			}
			if one != nil {
				c.watched = append(c.watched, one)
			}
		}
	}
}

// newWatched returns nil if the unit's map has nothing to watch.
func newWatched(w *watch, u *unit, now time.Time) *watched {
	plan := u.dev.Map.PlanFor(linkQuantities...)
	if plan == nil {
		return nil
	}
	return &watched{
		watch: w, next: now,
		slot: &slot{unit: u, group: plan.Group, plan: plan, values: make([]fleet.Value, len(plan.Layout.Points))},
	}
}

// pickWatched returns the unit whose turn it is, nil if it is none's, and the earliest instant at which it is one's.
// Units that do not answer the ordinary polls are left to those.
func pickWatched(all []*watched, now time.Time) (best *watched, earliest time.Time) {
	for _, w := range all {
		if w.slot.unit.fails > 0 {
			continue
		}
		if earliest.IsZero() || w.next.Before(earliest) {
			earliest, best = w.next, w
		}
	}
	if earliest.After(now) {
		best = nil
	}
	return best, earliest
}

// look polls a watched unit once.
func (c *conn) look(ctx context.Context, w *watched, now time.Time) {
	f := fleet.Frame{Controller: w.slot.unit.dev.ID, Group: w.slot.group, At: now.UTC()}
	c.poll(ctx, w.slot, &f)
	if w.watch == nil {
		c.watched = slices.DeleteFunc(c.watched, func(o *watched) bool { return o == w })
		if f.Outcome == fleet.Answered {
			c.p.sink.Put(&f)
		}
		return
	}
	if f.Outcome == fleet.Answered {
		w.fails, w.next = 0, now.Add(watchStep)
	} else {
		w.fails++
		w.next = time.Now().Add(min(time.Duration(w.fails)*watchFail, watchRest))
	}
	w.watch.put(&f)
}

// sooner returns the earlier of two instants, of which zero is none.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}
