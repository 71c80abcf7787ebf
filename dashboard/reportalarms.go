package dashboard

import (
	"cmp"
	"slices"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// An alarmCount is how often alarms of a kind were raised in a time, and for how long they stood altogether.
type alarmCount struct {
	kind     fleet.Kind
	priority fleet.Priority // the highest
	raised   int
	stood    time.Duration
}

// A stoodAlarm is one alarm from when it was raised to when it went.
type stoodAlarm struct {
	fleet.AlarmKey
	text     string
	from, to time.Time // to zero: it stood at the end
	stood    time.Duration
}

// An alarmTally counts the changes of a report's time.
type alarmTally struct {
	span  reportSpan
	kinds map[fleet.Kind]*alarmCount
	open  map[fleet.AlarmKey]*stoodAlarm
	seen  map[fleet.AlarmKey]bool
	links map[fleet.Subject]*linkReport
	done  []stoodAlarm // the longest; see keep
}

// reportAlarms measures the alarms of a site from what changed in its time. Those that stood before and did not change
// in it are among those that stand now.
func (s *server) reportAlarms(v *visit, r *siteReport) error {
	at := fleet.Subject(r.site.ID)
	span := r.span
	span.until = later(span.from, earlier(span.to, r.at)) // alarms are known to the instant
	t := &alarmTally{
		span: span, kinds: map[fleet.Kind]*alarmCount{}, open: map[fleet.AlarmKey]*stoodAlarm{},
		seen: map[fleet.AlarmKey]bool{}, links: map[fleet.Subject]*linkReport{},
	}
	for i := range r.rings {
		for k := range r.rings[i].links {
			l := &r.rings[i].links[k]
			t.links[fleet.Subject(l.link.ID)] = l
		}
	}
	var before []fleet.Alarm
	for _, a := range inside(v.alarm, at) {
		if a.State.Active() && a.Raised.Before(r.span.from) {
			before = append(before, a)
			t.begin(&a, a.Raised)
		}
	}
	m := alerts.NewMeter(r.span.from, alerts.DefaultLimits, before...)
	for c, err := range s.Alarms.Changes(v.ctx, span.from, span.until) {
		if err != nil {
			return err
		}
		if !c.Alarm.Subject.Inside(at) || c.Alarm.Kind == alerts.KindOutOfService {
			continue
		}
		m.Add(&c)
		t.add(&c)
	}
	if span.until.After(span.from) { // else it is all still to come
		r.measured = m.Performance(span.until)
	}
	r.kinds, r.longest = t.finish()
	for _, a := range activeAlarms(inside(v.alarm, at)) {
		if a.Kind != alerts.KindOutOfService {
			r.standing = append(r.standing, a)
		}
	}
	return nil
}

func (t *alarmTally) of(kind fleet.Kind) *alarmCount {
	k := t.kinds[kind]
	if k == nil {
		k = &alarmCount{kind: kind}
		t.kinds[kind] = k
	}
	return k
}

func (t *alarmTally) begin(a *fleet.Alarm, raised time.Time) {
	t.open[a.AlarmKey] = &stoodAlarm{AlarmKey: a.AlarmKey, text: a.Text, from: raised}
}

func (t *alarmTally) add(c *fleet.Change) {
	key := c.Alarm.AlarmKey
	if !t.seen[key] && c.From.Active() && t.open[key] == nil { // it stood when the time began, and does not any more
		t.begin(&c.Alarm, c.Alarm.Raised)
	}
	t.seen[key] = true
	if c.Alarm.State == fleet.Unacknowledged {
		k := t.of(key.Kind)
		k.raised, k.priority = k.raised+1, max(k.priority, c.Alarm.Priority)
		if l := t.links[key.Subject]; l != nil {
			l.alarms++
		}
	}
	stood := t.open[key]
	switch active := c.Alarm.State.Active(); {
	case active && stood == nil:
		t.begin(&c.Alarm, c.At)
	case !active && stood != nil:
		stood.to = c.At
		t.end(stood)
		delete(t.open, key)
	}
}

// end counts an alarm that stood, as far as it did within the time.
func (t *alarmTally) end(a *stoodAlarm) {
	from, to := later(a.from, t.span.from), a.to
	if to.IsZero() {
		to = t.span.until
	}
	a.stood = max(0, to.Sub(from))
	t.of(a.Kind).stood += a.stood
	if l := t.links[a.Subject]; l != nil {
		l.stood += a.stood
	}
	t.done = append(t.done, *a)
	if len(t.done) > 100*reportLongest {
		t.keep()
	}
}

// keep keeps the alarms that stood longest.
func (t *alarmTally) keep() {
	slices.SortFunc(t.done, func(a, b stoodAlarm) int {
		return cmp.Or(cmp.Compare(b.stood, a.stood), a.from.Compare(b.from), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	t.done = t.done[:min(len(t.done), reportLongest)]
}

func (t *alarmTally) finish() ([]alarmCount, []stoodAlarm) {
	for _, a := range t.open {
		if a.from.Before(t.span.until) {
			t.end(a)
		}
	}
	t.keep()
	var kinds []alarmCount
	for _, k := range t.kinds {
		kinds = append(kinds, *k)
	}
	slices.SortFunc(kinds, func(a, b alarmCount) int {
		return cmp.Or(b.raised-a.raised, cmp.Compare(b.stood, a.stood), cmp.Compare(a.kind, b.kind))
	})
	return kinds, t.done
}
