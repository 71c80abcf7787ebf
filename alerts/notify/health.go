package notify

import (
	"maps"
	"slices"
)

// Health is how telling goes by one sink: "mail", or the name of a webhook or Alertmanager.
type Health struct {
	Sink string
	// Since the desk was opened:
	Sent    uint64 // messages that the other side took
	Failed  uint64 // tries that failed
	GivenUp uint64 // messages that will not be tried again
	// Now:
	Waiting int // messages that are due, tried or held back
}

type counts struct{ sent, failed, givenUp uint64 }

// countsOf returns the counts of a channel's sink. The caller holds mu.
func (d *Desk) countsOf(to Channel) *counts {
	c := d.counts[to.sink()]
	if c == nil {
		c = &counts{}
		d.counts[to.sink()] = c
	}
	return c
}

// report brings what Health returns up to date. The caller holds mu, or has the desk for itself.
func (d *Desk) report() {
	waiting := map[string]int{}
	for _, name := range d.plan.recipients() {
		for _, c := range d.plan.waysTo(name) {
			waiting[c.sink()] = 0
		}
	}
	for sink := range d.counts {
		waiting[sink] = 0
	}
	for _, m := range d.book.messages {
		waiting[m.To.sink()]++
	}
	all := make([]Health, 0, len(waiting))
	for _, sink := range slices.Sorted(maps.Keys(waiting)) {
		h := Health{Sink: sink, Waiting: waiting[sink]}
		if c := d.counts[sink]; c != nil {
			h.Sent, h.Failed, h.GivenUp = c.sent, c.failed, c.givenUp
		}
		all = append(all, h)
	}
	d.health.Store(&all)
}

// Health says how telling goes, by sink. It never waits for the disk.
func (d *Desk) Health() []Health { return *d.health.Load() }
