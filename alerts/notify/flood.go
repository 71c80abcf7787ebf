package notify

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A flood begins with more than 10 alarms in 10 minutes and ends with fewer than 5: ANSI/ISA-18.2-2016, 16.4.4, as
// other documents give it; the standard itself could not be looked at.
const (
	floodWindow = 10 * time.Minute
	floodBegins = 10
	floodEnds   = 5
)

// In a flood, alarms are gathered so long; the second is for a digest with an alarm of high priority. Our own choice.
const (
	floodGather       = 5 * time.Minute
	floodGatherUrgent = time.Minute
)

// A flood is what one recipient was told lately. It is a plain value.
type flood struct {
	raised []time.Time // within the window before the last look; at most floodKept
	on     bool
}

// floodKept bounds what is remembered: enough to tell that there is a flood, with room for clocks that are set.
const floodKept = 4 * floodBegins

// look returns the flood as it is at an instant, with one more alarm if raised.
func (f flood) look(at time.Time, raised bool) flood {
	// What is newer than the instant was told before the clock was set back, and is as old as now.
	kept := slices.DeleteFunc(slices.Clone(f.raised), func(t time.Time) bool { return at.Sub(t) >= floodWindow })
	if raised {
		kept = append(kept, at)
	}
	f.raised = kept[max(0, len(kept)-floodKept):]
	switch n := len(f.raised); {
	case n > floodBegins:
		f.on = true
	case n < floodEnds:
		f.on = false
	}
	return f
}

// remember counts a change of the past. The caller holds mu, or has the desk for itself.
func (d *Desk) remember(c *fleet.Change) {
	news, ok := newsOf(c)
	if !ok || news != Raised {
		return
	}
	for _, who := range recipientsOf(d.plan.channels(&c.Alarm)) {
		f := flood{}
		if d.flood[who] != nil {
			f = *d.flood[who]
		}
		f = f.look(c.At, true)
		d.flood[who] = &f
	}
}

// recipientsOf lists who is behind channels, each once: an alarm by mail and by webhook is one alarm.
func recipientsOf(channels []Channel) []string {
	var names []string
	for _, c := range channels {
		if c.Via != ViaAlertmanager && !slices.Contains(names, c.Recipient()) {
			names = append(names, c.Recipient())
		}
	}
	return names
}
