package poller

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// mostWishes is how many looks can wait for one connection; more are dropped, since what wishes for them will wish again.
const mostWishes = 8

// A wish is a look that somebody would like to have.
type wish struct {
	controller fleet.ControllerID
	group      fleet.Group
}

// Look polls one group of a controller once more, beside the polls that are due: over the connection that [Poller.Run] has,
// as soon as those leave time for it, with the pause that its map wants. It returns at once. The answer goes into the poller's
// sink as a frame that was due when it was sent, between two instants of the grid. No answer gives no frame: the next poll
// will tell. A controller that the poller does not have, or that did not answer its last poll, is not asked.
func (p *Poller) Look(id fleet.ControllerID, g fleet.Group) {
	a := p.current.Load()
	for addr, devices := range a.devices {
		if !slices.ContainsFunc(devices, func(d Device) bool { return d.ID == id }) {
			continue
		}
		p.wishing.Lock()
		wishes := p.wishes[addr]
		p.wishing.Unlock()
		select {
		case wishes <- wish{id, g}:
		default: // there are enough, or there is no connection yet: a channel that is nil takes nothing
		}
		return
	}
}

// wishFor makes the queue of a connection, and returns it with what removes it again.
func (p *Poller) wishFor(addr address) (<-chan wish, func()) {
	wishes := make(chan wish, mostWishes)
	p.wishing.Lock()
	defer p.wishing.Unlock()
	p.wishes[addr] = wishes
	return wishes, func() {
		p.wishing.Lock()
		defer p.wishing.Unlock()
		delete(p.wishes, addr)
	}
}

// grantAll takes the looks that wait.
func (c *conn) grantAll(now time.Time) {
	for {
		select {
		case w := <-c.wishes:
			c.grant(w, now)
		default:
			return
		}
	}
}

// grant puts a look among what is asked for in the time that the polls leave free.
func (c *conn) grant(w wish, now time.Time) {
	for _, u := range c.units {
		s := u.slot(w.group)
		if u.dev.ID != w.controller || s == nil || u.fails > 0 {
			continue
		}
		if !slices.ContainsFunc(c.watched, func(o *watched) bool { return o.watch == nil && o.slot == s }) {
			c.watched = append(c.watched, &watched{slot: s, next: now})
		}
	}
}
