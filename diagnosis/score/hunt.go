package score

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Hunt is how a fault of bank, leads, sources, settings or turbines was found.
type Hunt struct {
	Bar // found in time; nothing is wanted of it
	Fault
	Kind   string
	Within time.Duration
	Shown  Bar // the same, of those stories alone in which the fault had an effect in that time
	delays []time.Duration
}

// Median returns the time after which half of those that were found at all were.
func (h *Hunt) Median() time.Duration {
	if len(h.delays) == 0 {
		return 0
	}
	slices.Sort(h.delays)
	return h.delays[len(h.delays)/2]
}

// String returns the line that the bench prints.
func (h *Hunt) String() string {
	return fmt.Sprintf("%s: %s found within %s in %.4g %% of %g, and in %.4g %% of the %g in which it had an effect, half of them within %s",
		h.Fault, h.Kind, plainly(h.Within), h.Value(), h.Of, h.Shown.Value(), h.Shown.Of, plainly(h.Median()))
}

// hunt counts whether a fault of the plant was found.
func (c *scorer) hunt(w *watched) {
	s := w.story
	want, ok := s.hunted()
	if !ok {
		return
	}
	i := slices.IndexFunc(c.Hunts, func(h *Hunt) bool { return h.Fault == s.Fault })
	if i < 0 {
		i = len(c.Hunts)
		c.Hunts = append(c.Hunts, &Hunt{Fault: s.Fault, Bar: Bar{Unit: "%"}, Shown: Bar{Unit: "%"}, Kind: string(want.kind), Within: want.within})
	}
	h := c.Hunts[i]
	after, found := w.first(want.kind, want.subject)
	if found {
		h.delays = append(h.delays, after)
	}
	found = found && after <= want.within
	h.Count(found, s)
	if at := w.truth.Shown; s.Plant == nil || at > 0 && at-s.At <= want.within {
		h.Shown.Count(found, s)
	}
}

// plainly returns a time as people say it.
func plainly(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.1f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.1f hours", d.Hours())
	}
	return d.Round(time.Second).String()
}

func (c *Card) writeHunts(b *strings.Builder) {
	b.WriteString("## Faults of bank, leads, sources, settings and turbines\n\nHow often each was found within a time that suits it, and after which time half of those that were found at all were. Not every fault had an " +
		"effect in that time: a timer at nought ends no absorption of a unit that never comes to one.\n\n")
	b.WriteString("| fault | alarm | within | found | 95 % interval | of | found of those with an effect | of | half of them after |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |\n")
	for _, h := range c.Hunts {
		i := h.Interval()
		fmt.Fprintf(b, "| %s | %s | %s | %.1f %% | %.1f to %.1f | %.0f | %.1f %% | %.0f | %s |\n",
			h.Fault, h.Kind, plainly(h.Within), h.Value(), i.Low, i.High, h.Of, h.Shown.Value(), h.Shown.Of, plainly(h.Median()))
	}
	b.WriteString("\n")
}
