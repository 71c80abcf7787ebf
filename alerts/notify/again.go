package notify

import (
	"context"
	"time"

	"ringwarden/fleet"
)

// remindLimit is how often somebody is told again of one alarm: for two days every four hours. Whoever has not looked
// by then is not helped by more (our own choice); it stays in the list of alarms, and counts as stale there.
const remindLimit = 12

// An again is how often alarms that stand have come due to be told of again. What came due while the program was not
// running is left out.
type again map[standingKey]int

// A standingKey is one raising of an alarm.
type standingKey struct {
	key    fleet.AlarmKey
	raised int64
}

// remindAgain tells people and webhooks again of the alarms of high priority that nobody has acknowledged, all that are
// due in one message to each. Whoever still has something waiting is told nothing more. The caller holds mu.
func (d *Desk) remindAgain(ctx context.Context, standing []fleet.Alarm, now time.Time) {
	every, met := d.plan.notify.Remind, again{}
	due := map[Channel]*Message{}
	for i := range standing {
		a := &standing[i]
		if every <= 0 || a.State != fleet.Unacknowledged || a.Priority != fleet.High {
			continue
		}
		key := standingKey{a.AlarmKey, a.Raised.UnixNano()}
		times := int(max(0, now.Sub(a.Raised)) / every)
		before, known := d.again[key]
		if met[key] = times; !known || times <= before || times > remindLimit {
			continue
		}
		c := fleet.Change{At: now, From: a.State, Alarm: *a}
		for _, to := range d.plan.channels(a) {
			if to.Via == ViaAlertmanager || len(d.book.queue(to)) > 0 {
				continue
			}
			if due[to] == nil {
				due[to] = &Message{ID: newID(&c, to), To: to, Made: now, Sealed: true}
			}
			due[to].join(newItem(Reminder, &c))
		}
	}
	d.again = met
	for to, m := range due {
		if len(m.Items) > 1 {
			m.Digest = digestAgain
		}
		d.book.order++
		m.Order = d.book.order
		d.edit(ctx, map[string]*Message{m.ID: m}, nil)
		d.wake(to)
	}
}
