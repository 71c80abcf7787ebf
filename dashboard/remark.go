package dashboard

import (
	"slices"
	"strings"
	"time"

	"ringwarden/fleet"
)

// mostRemarks is how many remarks stand under one alarm; the newest are shown.
const mostRemarks = 5

// A remarkView is what a person did about an alarm or wrote down about its place.
type remarkView struct {
	At, Who, Did, Text string
	when               time.Time
}

// remarks are by what they are about: an alarm, or with no kind a place.
type remarks map[fleet.AlarmKey][]remarkView

// remarks gathers what people did, from their changes, and the notes since the oldest alarm that stands, but no older
// than the changes.
func (s *server) remarks(v *visit, changes []fleet.Change) (remarks, error) {
	said := remarks{}
	put := func(key fleet.AlarmKey, at time.Time, who, did, text string) {
		if who == "" {
			who = "somebody"
		}
		said[key] = append(said[key], remarkView{clock(at, v.now, v.zoneOf(key.Subject)), who, did, text, at})
	}
	for i := range changes {
		c := &changes[i]
		put(c.Alarm.AlarmKey, c.At, c.Who, deedWord(c), c.Why)
	}
	if s.Journal == nil || len(v.alarm) == 0 {
		return said, nil
	}
	for n, err := range s.Journal.Notes(v.ctx, v.now.Add(-pastTime), v.now.Add(time.Nanosecond)) {
		if err != nil {
			return nil, err
		}
		put(fleet.AlarmKey{Subject: n.Subject}, n.At, n.Who, "", n.Text)
	}
	return said, nil
}

// deedWord says what a person did.
func deedWord(c *fleet.Change) string {
	switch {
	case c.Alarm.State == fleet.Shelved:
		return "shelved it"
	case c.Alarm.State == fleet.OutOfService:
		return "took it out of service"
	case c.From == fleet.Shelved:
		return "showed it again"
	case c.From == fleet.OutOfService:
		return "returned it to service"
	}
	return "acknowledged it"
}

// of returns what was said of an alarm since it began: of itself, and of its place where that names this kind or none.
func (r remarks) of(a *fleet.Alarm) []remarkView {
	var all []remarkView
	for _, w := range r[a.AlarmKey] {
		if !w.when.Before(a.Since) {
			all = append(all, w)
		}
	}
	for _, w := range r[fleet.AlarmKey{Subject: a.Subject}] {
		about, text, named := strings.Cut(w.Text, ": ")
		switch {
		case w.when.Before(a.Since):
			continue
		case named && about == alarmWord(a.Kind):
			w.Text = text
		}
		all = append(all, w)
	}
	slices.SortStableFunc(all, func(a, b remarkView) int { return a.when.Compare(b.when) })
	return all[max(0, len(all)-mostRemarks):]
}
