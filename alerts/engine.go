package alerts

import (
	"fmt"
	"time"

	"ringwarden/fleet"
)

// An Engine takes frames and time and gives back changes of alarms. It is not safe for concurrent use.
type Engine struct {
	periods fleet.Periods
	rules   fleet.Rules
	sites   []*site
	units   map[fleet.ControllerID]*unit
	watches []*watch // in the order in which they are judged
	byKey   map[fleet.AlarmKey]*watch
	reports map[fleet.Kind]*report
	orphans []fleet.Alarm // restored alarms of subjects or kinds that are no more
	now     time.Time     // last Advance
	counts  Counts
}

// Counts says how often something was not believed, since the engine was made.
type Counts struct {
	UnknownController uint64 // frames of controllers that are not in the fleet
	Late              uint64 // frames older than one that was already there, of the same controller and poll group
	Doubled           uint64 // frames of an instant that was already there
	Future            uint64 // frames of more than ten minutes after the last Advance
	Malformed         uint64 // answered frames whose values do not fit their layout
	NotFinite         uint64 // good values that are no finite number
	Undefined         uint64 // values that the map cannot name or decode, and stages that are none
	Implausible       uint64 // values outside the map's plausible range
	Backwards         uint64 // calls of Advance with an instant before the last one, which did nothing
}

// New returns an engine for a fleet. It keeps f, which must not change any more.
func New(f *fleet.Fleet) *Engine {
	e := &Engine{periods: f.Periods, rules: f.Rules, units: map[fleet.ControllerID]*unit{}}
	e.build(f)
	e.byKey = make(map[fleet.AlarmKey]*watch, len(e.watches))
	for _, w := range e.watches {
		e.byKey[w.key] = w
	}
	return e
}

// Advance judges everything at an instant and returns what changed, in a fixed order. Call it often: at least once in
// each fast period. An instant before the last one does nothing.
func (e *Engine) Advance(now time.Time) []fleet.Change {
	if now.Before(e.now) {
		e.counts.Backwards++
		return nil
	}
	e.wake(now)
	e.now = now
	changes := e.dropOrphans(now)
	for _, s := range e.sites {
		s.prepare(now)
		for _, r := range s.rings {
			r.prepareTrip(now)
			r.prepareCalls(now)
			r.prepareReference(now)
			r.prepareNorms(now)
		}
	}
	for _, w := range e.watches {
		if c, ok := w.judge(now); ok {
			changes = append(changes, c)
		}
	}
	return changes
}

// wake notes that the program begins to listen: at its first Advance, and after a break in which it was not running or
// its machine slept. Nobody was asked anything then, so nobody was silent.
func (e *Engine) wake(now time.Time) {
	if e.now.IsZero() {
		e.forgetFuture(now)
	} else if now.Sub(e.now) <= missable*e.periods.Fast+patience {
		return
	}
	for _, s := range e.sites {
		s.awake = now
	}
}

// Alarms returns every alarm that is not normal, in a fixed order.
func (e *Engine) Alarms() []fleet.Alarm {
	var all []fleet.Alarm
	for _, w := range e.watches {
		if w.state != fleet.AlarmNormal {
			all = append(all, w.alarm())
		}
	}
	return append(all, e.orphans...)
}

// Counts returns what was not believed so far.
func (e *Engine) Counts() Counts { return e.counts }

// Acknowledge notes that a person has seen an alarm, and returns the change. It is an error if there is no such alarm,
// or none that waits for it.
func (e *Engine) Acknowledge(key fleet.AlarmKey, who, why string, at time.Time) (fleet.Change, error) {
	w, ok := e.byKey[key]
	if !ok {
		return fleet.Change{}, fmt.Errorf("acknowledging %s on %s: no such kind or subject in the fleet", key.Kind, key.Subject)
	}
	c, ok := w.move(acknowledge, at, why)
	if !ok {
		return fleet.Change{}, fmt.Errorf("acknowledging %s on %s: it is %s; nothing waits for it", key.Kind, key.Subject, w.state)
	}
	c.Who = who
	return c, nil
}

// Restore brings back the alarms that stood before a restart, so that it neither repeats nor forgets them. Call it
// before the first frame. An alarm whose kind or subject is no more is closed at the first Advance.
func (e *Engine) Restore(standing []fleet.Alarm) {
	for i := range standing {
		a := &standing[i]
		if a.State == fleet.AlarmNormal {
			continue
		}
		if w, ok := e.byKey[a.AlarmKey]; ok {
			w.restore(a)
		} else {
			e.orphans = append(e.orphans, *a)
		}
	}
}

func (e *Engine) dropOrphans(now time.Time) []fleet.Change {
	var changes []fleet.Change
	for _, a := range e.orphans {
		from := a.State
		a.State = fleet.AlarmNormal
		changes = append(changes, fleet.Change{At: now, From: from, Alarm: a, Why: "no longer in the fleet file"})
	}
	e.orphans = nil
	return changes
}
