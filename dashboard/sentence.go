package dashboard

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A verdict is what the first lines of a page say to an owner.
type verdict struct {
	Level string // "calm", or the word of a priority, or "unknown"
	First string // how it is
	Next  string // what to do
}

// judgeSite puts a site into words: what its controllers do, when the bank was full, and whether anybody is needed.
func judgeSite(site *fleet.Site, units []unit, standing []fleet.Alarm, now time.Time) verdict {
	active := activeAlarms(standing)
	v := verdict{Level: "calm", First: stageSentence(units, now)}
	if full := fullSentence(units, now, site.Zone); full != "" {
		v.First += " " + full
	}
	heard := slices.ContainsFunc(units, func(u unit) bool { return !u.heard.IsZero() })
	switch {
	case len(active) == 1:
		v.Level, v.Next = active[0].Priority.String(), "One alarm needs somebody."
	case len(active) > 1:
		v.Level = active[0].Priority.String()
		v.Next = sentence(counted(len(active), "alarm", "alarms") + " need somebody")
	case !heard:
		v.Level, v.First, v.Next = "unknown", "Nothing has been heard from here yet.", "The first readings come with the next poll."
	case waiting(standing) > 0:
		v.Next = sentence("nothing stands any more; " + counted(waiting(standing), "alarm that went away waits", "alarms that went away wait") + " to be acknowledged")
	default:
		v.Next = "Nothing needs you today."
	}
	return v
}

// activeAlarms returns the alarms whose condition holds, the most urgent first.
func activeAlarms(standing []fleet.Alarm) []fleet.Alarm {
	var active []fleet.Alarm
	for i := range standing {
		if standing[i].State.Active() {
			active = append(active, standing[i])
		}
	}
	slices.SortStableFunc(active, fleet.ByUrgency)
	return active
}

// waiting returns how many alarms have gone and were never acknowledged.
func waiting(standing []fleet.Alarm) int {
	n := 0
	for i := range standing {
		if standing[i].State == fleet.ReturnedUnacknowledged {
			n++
		}
	}
	return n
}

// inside returns the alarms inside a part of the fleet.
func inside(standing []fleet.Alarm, at fleet.Subject) []fleet.Alarm {
	var in []fleet.Alarm
	for i := range standing {
		if standing[i].Subject.Inside(at) {
			in = append(in, standing[i])
		}
	}
	return in
}

// stageSentence says what the controllers do, each stage with how many are in it.
func stageSentence(units []unit, now time.Time) string {
	held := map[fleet.Stage]int{}
	silent, unsaid := 0, 0
	for i := range units {
		s, ok := units[i].stageNow(now)
		switch {
		case ok:
			held[s]++
		case units[i].heard.IsZero() || units[i].outcome != fleet.Answered:
			silent++
		default:
			unsaid++
		}
	}
	var parts []string
	for _, s := range fleet.Stages {
		if n := held[s]; n > 0 {
			if n == len(units) {
				return sentence(allOf(n) + stagePhrase(s))
			}
			parts = append(parts, subject(len(parts), n)+stagePhrase(s))
		}
	}
	if silent > 0 {
		parts = append(parts, subject(len(parts), silent)+" not answering")
	}
	if unsaid > 0 {
		parts = append(parts, subject(len(parts), unsaid)+" answering without a stage")
	}
	return sentence(joined(parts))
}

func subject(before, n int) string {
	switch {
	case before == 0:
		return counted(n, "controller is", "controllers are")
	case n == 1:
		return "one is"
	}
	return numeral(n) + " are"
}

func allOf(n int) string {
	switch n {
	case 1:
		return "the controller is"
	case 2:
		return "both controllers are"
	}
	return "all " + numeral(n) + " controllers are"
}

func stagePhrase(s fleet.Stage) string {
	switch s {
	case fleet.Off:
		return " off"
	case fleet.Idle:
		return " awake without input"
	case fleet.Fault:
		return " stopped by a fault"
	}
	return " in " + s.String()
}

// fullSentence says when the bank was full: when the first controller last went to float.
func fullSentence(units []unit, now time.Time, zone *time.Location) string {
	var last time.Time
	for i := range units {
		if units[i].full.After(last) {
			last = units[i].full
		}
	}
	if last.IsZero() {
		return ""
	}
	// The call that made the last one go to float began at the first of those close to it.
	first := last
	for i := range units {
		if f := units[i].full; !f.IsZero() && f.Before(first) && last.Sub(f) < time.Hour {
			first = f
		}
	}
	at := clock(first, now, zone)
	if strings.Contains(at, ",") {
		return fmt.Sprintf("The bank was last full on %s.", at)
	}
	return fmt.Sprintf("The bank was full at %s.", at)
}
