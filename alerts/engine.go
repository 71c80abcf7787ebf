package alerts

import (
	"slices"
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
	quick   []*watch // of those, the ones that are judged at every Advance
	slow    []*watch // and the ones that are judged every half minute
	slowAt  time.Time
	byKey   map[fleet.AlarmKey]*watch
	alike   map[settings]*settings
	reports map[fleet.Kind]*report
	steps   *clockSteps
	orphans []fleet.Alarm // restored alarms of subjects or kinds that are no more
	orders  []Order       // what is out of service
	now     time.Time     // last Advance
	looked  uint64        // second looks that were asked for
	eager   bool          // see [Engine.Eager]
	back    int           // calls of Advance in a row with an instant of long before
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
	Backwards         uint64 // calls of Advance with an instant before the last one
}

// New returns an engine for a fleet. It keeps f, which must not change any more.
func New(f *fleet.Fleet) *Engine {
	e := &Engine{steps: new(clockSteps)}
	e.build(f)
	return e
}

// Advance judges everything at an instant and returns what changed, in a fixed order. Call it often: at least once in
// each fast period. An instant before the last one does nothing; if it lies more than ten minutes back, again and again,
// the clock was set back, and is believed.
func (e *Engine) Advance(now time.Time) []fleet.Change {
	if now.Before(e.now) && !e.believeBack(now) {
		return nil
	}
	e.back, e.eager = 0, false
	e.wake(now)
	e.now = now
	changes := append(e.dropOrphans(now), e.expire(now)...)
	for _, s := range e.sites {
		s.prepare(now)
		for _, r := range s.rings {
			r.prepareTrip(now)
			r.prepareCalls(now)
			r.prepareReference(now)
			r.prepareUsual(now)
		}
	}
	changes = e.judge(e.quick, now, changes)
	if now.Sub(e.slowAt) < slowPace {
		return changes
	}
	e.slowAt = now
	for _, s := range e.sites {
		for _, r := range s.rings {
			r.prepareBank(now)
			r.prepareTargets(now)
			r.prepareCharge(now)
			r.prepareYield(now)
		}
	}
	return e.judge(e.slow, now, changes)
}

// slowPace is how often the slow detectors are asked: much less than the hours and days that they are about.
const slowPace = 30 * time.Second

func (e *Engine) judge(watches []*watch, now time.Time, changes []fleet.Change) []fleet.Change {
	for _, w := range watches {
		if c, ok := (asked{w}).judge(now); ok {
			w.site.raises.note(&c)
			changes = append(changes, c)
		}
	}
	return changes
}

// insists is how often in a row Advance must be called with an instant of long before the last one until it is believed
// that the machine's clock was set back: otherwise nothing would be judged until it has caught up.
const insists = 10

// believeBack counts an instant before the last one, and reports whether the clock was set back. Then everything that
// is known by later instants is forgotten, and alarms stand.
func (e *Engine) believeBack(now time.Time) bool {
	e.counts.Backwards++
	if e.now.Sub(now) <= farFuture {
		e.back = 0
		return false
	}
	if e.back++; e.back < insists {
		return false
	}
	e.now, e.slowAt = time.Time{}, time.Time{} // as at the start
	for _, s := range e.sites {
		s.siteTracks, s.back = siteTracks{}, time.Time{}
		for _, r := range s.rings {
			r.usualAt, r.charge.at, r.charge.held.call, r.yields.at = time.Time{}, time.Time{}, time.Time{}, time.Time{}
		}
	}
	for _, w := range e.watches {
		w.asked, w.hold.GoneAt = time.Time{}, time.Time{}
		if !w.hold.Holds {
			w.hold = HoldState{}
		}
	}
	return true
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
	for i := range e.orders {
		all = append(all, e.orders[i].alarm(fleet.OutOfService))
	}
	return append(all, e.orphans...)
}

// Counts returns what was not believed so far.
func (e *Engine) Counts() Counts { return e.counts }

// Restore brings back the alarms that stood before a restart, so that it neither repeats nor forgets them. Call it
// before the first frame. An alarm whose kind or subject is no more is closed at the first Advance.
func (e *Engine) Restore(standing []fleet.Alarm) {
	for i := range standing {
		a := &standing[i]
		switch w, ok := e.byKey[a.AlarmKey]; {
		case a.State == fleet.AlarmNormal:
		case ok:
			w.restore(a)
		case a.Kind == KindOutOfService && slices.ContainsFunc(e.watches, func(w *watch) bool { return w.key.Subject.Inside(a.Subject) }):
			e.restoreOrder(a)
		default:
			e.orphans = append(e.orphans, *a)
		}
	}
	e.assign(e.now, "", "")
}

// restoreOrder brings back an order, unless [Engine.Remember] has, which knows more.
func (e *Engine) restoreOrder(a *fleet.Alarm) {
	if slices.ContainsFunc(e.orders, func(o Order) bool { return o.At == a.Subject }) {
		return
	}
	o := Order{At: a.Subject, Since: a.Since, Until: a.Until}
	for _, f := range a.Figures {
		o.Kinds = append(o.Kinds, fleet.Kind(f.Name))
	}
	e.orders = append(e.orders, o)
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
