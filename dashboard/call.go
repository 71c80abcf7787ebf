package dashboard

import (
	"cmp"
	"slices"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

// A callSeen is a float or equalize that went round the ring lately, or some of the way, as the newest stages show it. The
// page of the cables has what is known of calls for longer.
type callSeen struct {
	stage   fleet.Stage
	way     []int // those that followed, by index, in the order of the ring from who began it
	missing []int // those that could have followed and have not
	first   time.Time
	last    time.Time
	unsure  bool // polls do not show who began it
	under   bool // it may still be on its way
}

// Limits of a call: for how long it is shown, what one hop takes where the fleet file does not say (common practice, no
// source; as the alarm for units out of stage), and what a device may take to show its new stage.
const (
	callShown  = 30 * time.Minute
	callHop    = 2 * time.Second
	callMargin = 5 * time.Second
)

// recentCall finds the newest call; nil: there was none lately.
func recentCall(ring *fleet.Ring, units []unit, now time.Time) *callSeen {
	if len(units) < 2 {
		return nil
	}
	newest := -1
	for i := range units {
		u := &units[i]
		s, ok := u.stageNow(now)
		if ok && s.Coordinated() && !u.entered.IsZero() && now.Sub(u.entered) <= callShown && (newest < 0 || u.entered.After(units[newest].entered)) {
			newest = i
		}
	}
	if newest < 0 {
		return nil
	}
	hop := cmp.Or(ring.HopTime, callHop)
	window := time.Duration(len(units)-1)*hop + 2*units[0].periods.Fast + callMargin
	c := &callSeen{stage: units[newest].stage, last: units[newest].entered}
	followed := c.gather(units, now, window)
	if followed == nil {
		return nil
	}
	c.order(ring, units, followed)
	c.under = now.Sub(c.first) < window && len(c.missing) > 0
	return c
}

// gather returns who followed; nil: the newest one only joined those that were in the stage already.
func (c *callSeen) gather(units []unit, now time.Time, window time.Duration) []int {
	var in []int
	already := false
	for i := range units {
		u := &units[i]
		s, ok := u.stageNow(now)
		switch {
		case !ok:
		case s == c.stage && !u.entered.IsZero() && now.Sub(u.entered) <= callShown:
			in = append(in, i)
		case s == c.stage:
			already = true
		case s >= fleet.Bulk && s <= fleet.Equalize:
			c.missing = append(c.missing, i)
		}
	}
	slices.SortStableFunc(in, func(a, b int) int { return units[b].entered.Compare(units[a].entered) })
	n := 1
	for n < len(in) && units[in[n-1]].entered.Sub(units[in[n]].entered) <= window {
		n++
	}
	if n == 1 && (already || len(in) > 1) {
		return nil
	}
	c.first = units[in[n-1]].entered
	slices.Sort(in[:n])
	return in[:n]
}

// order finds who began the call: from whom on along the cables, the fewest are certainly earlier than the one before.
func (c *callSeen) order(ring *fleet.Ring, units []unit, followed []int) {
	fewest, gap := -1, false
	n := len(units)
	for k, start := range followed {
		way := append(slices.Clone(followed[k:]), followed[:k]...)
		against := 0
		for i := 1; i < len(way); i++ {
			if !units[way[i]].entered.After(units[way[i-1]].left) {
				against++ // it was there before the one upstream had moved
			}
		}
		if ring.Open && k > 0 {
			against++ // nothing leads from the last one to the first
		}
		alone := !slices.Contains(followed, (start+n-1)%n) // the one upstream has not followed
		switch {
		case fewest < 0 || against < fewest || against == fewest && alone && !gap:
			fewest, gap, c.way, c.unsure = against, alone, way, false
		case against == fewest && alone == gap:
			c.unsure = true
		}
	}
}

// picture returns the call for the drawing; nil: there is nothing to draw.
func (c *callSeen) picture() *draw.RingCall {
	switch {
	case c == nil:
		return nil
	case c.unsure:
		return &draw.RingCall{Stage: c.stage, Starter: -1, Reached: c.way}
	}
	return &draw.RingCall{Stage: c.stage, Starter: c.way[0], Reached: c.way[1:]}
}

// say puts the call into a sentence; empty: there was none.
func (c *callSeen) say(ring *fleet.Ring, now time.Time, units []unit) string {
	if c == nil {
		return ""
	}
	name := func(i int) string { return lineName(&ring.Controllers[i]) }
	missing := make([]string, 0, len(c.missing))
	for _, i := range c.missing {
		missing = append(missing, name(i))
	}
	from, stage := name(c.way[0]), sentenceCase(c.stage.String())
	at := clock(c.first, now, units[0].zone)
	took := "in " + lasted(c.last.Sub(c.first))
	if c.last.Equal(c.first) {
		took = "within one poll"
	}
	var text string
	switch {
	case c.under:
		return sentence(stage + " is on its way round: it began at " + from + ", " + at + ", and has reached " + counted(len(c.way), "controller", "controllers") + " of " + numeral(len(c.way)+len(c.missing)))
	case len(c.way) == 1:
		text = stage + " began at " + from + ", " + at
	case c.unsure:
		text = stage + " went round " + took + ", " + at + "; polls do not show who began it"
	default:
		text = stage + " travelled from " + from + " to " + name(c.way[len(c.way)-1]) + " " + took + ", " + at
	}
	switch len(missing) {
	case 0:
		return sentence(text)
	case 1:
		return sentence(text + "; " + missing[0] + " has not followed")
	}
	return sentence(text + "; " + joined(missing) + " have not followed")
}
