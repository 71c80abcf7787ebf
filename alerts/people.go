package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ringwarden/fleet"
)

// Shelving is a person's wish not to see an alarm for a time.
type Shelving struct {
	Until   time.Time // when it ends, whatever the alarm does
	OneShot bool      // it ends before that when the condition next goes away
	Who     string
	Why     string
}

// The longest times that a person may hold alarms back at once, so that nothing is held back for ever and forgotten
// (OPC 10000-9 has such a limit and leaves its value open; common practice, no source).
const (
	longestShelving = 30 * 24 * time.Hour
	longestOrder    = 180 * 24 * time.Hour
)

func (s *Shelving) none() bool { return s.Until.IsZero() }

func (s *Shelving) over(now time.Time) bool { return !s.none() && !now.Before(s.Until) }

// find returns the watch of an alarm. (What a person does is never before the last Advance: the clock may have been set
// back meanwhile.)
func (e *Engine) find(doing string, key fleet.AlarmKey) (*watch, error) {
	w, ok := e.byKey[key]
	if !ok {
		return nil, fmt.Errorf("%s %s on %s: there is no such alarm at that place", doing, key.Kind, key.Subject)
	}
	return w, nil
}

// Acknowledge notes that a person has seen an alarm, with a comment that may be empty, and returns the change. It is an
// error if there is no such alarm, or none that waits for it.
func (e *Engine) Acknowledge(key fleet.AlarmKey, who, comment string, at time.Time) (fleet.Change, error) {
	at = latest(at, e.now)
	w, err := e.find("acknowledging", key)
	if err != nil {
		return fleet.Change{}, err
	}
	c, ok := w.move(acknowledge, at, comment)
	if !ok {
		return fleet.Change{}, fmt.Errorf("acknowledging %s on %s: it is %s; nothing waits for it", key.Kind, key.Subject, w.state)
	}
	c.Who = who
	return c, nil
}

// Shelve hides an alarm until an end, or with OneShot until its condition next goes away, and returns the change. An
// alarm that does not stand can be shelved as well. It is an error without a person and a reason, with an end that has
// passed or is more than thirty days away, and for an alarm that is shelved already or out of service.
func (e *Engine) Shelve(key fleet.AlarmKey, s Shelving, at time.Time) (fleet.Change, error) {
	at = latest(at, e.now)
	w, err := e.find("shelving", key)
	if err != nil {
		return fleet.Change{}, err
	}
	fault := wanted(s.Who, s.Why, s.Until, at, longestShelving)
	switch {
	case fault != "":
	case w.state == fleet.Shelved || w.state == fleet.OutOfService || w.order != nil:
		fault = "it is shelved or out of service already; end that first"
	case w.settings.disabled:
		fault = "a rule disables it here, so it is never raised"
	}
	if fault != "" {
		return fleet.Change{}, fmt.Errorf("shelving %s on %s: %s", key.Kind, key.Subject, fault)
	}
	w.shelf = s
	if w.state == fleet.AlarmNormal {
		w.since, w.raised, w.told = at, at, time.Time{}
		w.words = w.saying("%s: shelved before it was raised (%s)", w.key.Kind, w.detector.info.About)
		w.words.advice = "Nothing stands. Unshelve it to be told when it does."
	}
	c, _ := w.move(shelve, at, s.Why)
	c.Who = s.Who
	return c, nil
}

// Unshelve ends a shelving before its time: the alarm goes to the state that its condition has.
func (e *Engine) Unshelve(key fleet.AlarmKey, who, why string, at time.Time) (fleet.Change, error) {
	at = latest(at, e.now)
	w, err := e.find("unshelving", key)
	if err != nil {
		return fleet.Change{}, err
	}
	c, ok := w.unshelve(at, why)
	if !ok {
		return fleet.Change{}, fmt.Errorf("unshelving %s on %s: it is %s", key.Kind, key.Subject, w.state)
	}
	c.Who = who
	return c, nil
}

// wanted says what is wrong with a person's wish, or "".
func wanted(who, why string, until, at time.Time, longest time.Duration) string {
	switch {
	case strings.TrimSpace(who) == "":
		return "say who wants it"
	case strings.TrimSpace(why) == "":
		return "give a reason, for whoever asks later"
	case !until.After(at):
		return "its end must lie ahead"
	case until.Sub(at) > longest:
		return fmt.Sprintf("its end is more than %d days away; do it again then if it is still needed", longest/(24*time.Hour))
	}
	return ""
}

// KindOutOfService is the kind under which an [Order] itself is kept among the alarms, so that it is seen and recorded.
// It has no detector and no rules.
const KindOutOfService fleet.Kind = "out-of-service"

// An Order takes a part of the fleet out of service while people work on it: nothing inside it is raised.
type Order struct {
	// At is a site, ring, controller or link, with all that is inside; a controller brings the cables at its jacks. It is
	// fleet.Everywhere where Kinds are meant at all places.
	At    fleet.Subject
	Kinds []fleet.Kind // nil: all
	Since time.Time    // set by TakeOutOfService
	Until time.Time
	Who   string
	Why   string
}

func (o *Order) reason() string {
	if o.Who == "" {
		return "out of service"
	}
	return "out of service, " + o.Who + ": " + o.Why
}

func (o *Order) covers(w *watch) bool {
	if len(o.Kinds) > 0 && !slices.Contains(o.Kinds, w.key.Kind) {
		return false
	}
	if l := w.link; l != nil && (fleet.Subject(l.from.c.ID).Inside(o.At) || fleet.Subject(l.to.c.ID).Inside(o.At)) {
		return true
	}
	return w.key.Subject.Inside(o.At)
}

// alarm shows the order among the alarms. Its figures name the kinds, so that a restart finds them.
func (o *Order) alarm(state fleet.AlarmState) fleet.Alarm {
	a := fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: KindOutOfService, Subject: o.At}, State: state, Priority: fleet.Low,
		Since: o.Since, Raised: o.Since, Until: o.Until, Advice: "Return it to service when the work is done.",
	}
	what := "all alarms"
	var kinds []string
	for _, k := range o.Kinds {
		kinds = append(kinds, string(k))
		a.Figures = append(a.Figures, fleet.Figure{Name: string(k), Value: 1})
	}
	if len(kinds) > 0 {
		what = strings.Join(kinds, ", ")
	}
	where := string(o.At)
	if o.At == fleet.Everywhere {
		where = "everywhere"
	}
	a.Text = fmt.Sprintf("%s: out of service until %s (%s)", where, o.Until.UTC().Format("2006-01-02 15:04 MST"), what)
	if o.Who != "" {
		a.Text += ", " + o.Who + ": " + o.Why
	}
	return a
}

// TakeOutOfService begins maintenance and returns what changed, the order itself first. An order for the same place
// replaces the one before. It is an error without a person, a reason and an end within 180 days, and for a place or a
// kind that is not there.
func (e *Engine) TakeOutOfService(o Order, at time.Time) ([]fleet.Change, error) {
	at = latest(at, e.now)
	fault := wanted(o.Who, o.Why, o.Until, at, longestOrder)
	if fault == "" && o.At == fleet.Everywhere && len(o.Kinds) == 0 {
		fault = "say of which kinds: to take all of them out everywhere would be to stop watching"
	}
	if fault == "" && !e.reaches(&o) {
		fault = "there is no such place in the fleet"
		if e.reaches(&Order{At: o.At}) {
			fault = "alarms of these kinds are never raised there"
		}
	}
	if fault != "" || o.At == "" {
		return nil, fmt.Errorf("taking %s out of service: %s", o.At, fault)
	}
	o.Since = at
	e.orders = slices.DeleteFunc(e.orders, func(old Order) bool { return old.At == o.At })
	e.orders = append(e.orders, o)
	changes := []fleet.Change{{At: at, From: fleet.AlarmNormal, Alarm: o.alarm(fleet.OutOfService), Who: o.Who, Why: o.Why}}
	return append(changes, e.assign(at, o.Who, o.reason())...), nil
}

// ReturnToService ends an order before its time and returns what changed, the order itself first.
func (e *Engine) ReturnToService(place fleet.Subject, who, why string, at time.Time) ([]fleet.Change, error) {
	at = latest(at, e.now)
	i := slices.IndexFunc(e.orders, func(o Order) bool { return o.At == place })
	if i < 0 {
		return nil, fmt.Errorf("returning %s to service: it is not out of service", place)
	}
	return e.endOrder(i, who, why, at), nil
}

// Orders returns what is out of service.
func (e *Engine) Orders() []Order { return slices.Clone(e.orders) }

func (e *Engine) endOrder(i int, who, why string, at time.Time) []fleet.Change {
	o := e.orders[i]
	e.orders = slices.Delete(e.orders, i, i+1)
	changes := []fleet.Change{{At: at, From: fleet.OutOfService, Alarm: o.alarm(fleet.AlarmNormal), Who: who, Why: why}}
	changes[0].Alarm.Until = time.Time{}
	return append(changes, e.assign(at, who, why)...)
}

// expire ends the orders whose time has come.
func (e *Engine) expire(now time.Time) []fleet.Change {
	var changes []fleet.Change
	for i := 0; i < len(e.orders); {
		if now.Before(e.orders[i].Until) {
			i++
			continue
		}
		changes = append(changes, e.endOrder(i, "", "its time out of service has ended", now)...)
	}
	return changes
}

// assign tells each watch by which order it is out of service, after the orders have changed.
func (e *Engine) assign(at time.Time, who, why string) []fleet.Change {
	var changes []fleet.Change
	for _, w := range e.watches {
		w.order = nil
		for i := range e.orders {
			if o := &e.orders[i]; o.covers(w) {
				copied := *o
				w.order = &copied
				break
			}
		}
		var c fleet.Change
		var ok bool
		switch {
		case w.order == nil && w.state == fleet.OutOfService:
			c, ok = w.release(at, why)
		case w.order != nil && w.state != fleet.AlarmNormal && w.state != fleet.OutOfService:
			c, ok = w.move(takeOut, at, why)
		}
		if ok {
			c.Who = who
			changes = append(changes, c)
		}
	}
	return changes
}
