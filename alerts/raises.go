package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ringwarden/fleet"
)

// raises are a site's last alarms that came or went, oldest first. Beyond mostSteps the oldest are forgotten: nobody
// needs to count further to know that it is a flood.
type raises struct {
	steps []alarmStep
}

const (
	mostSteps   = 512
	longestStep = 24 * time.Hour
)

// An alarmStep is an alarm that came or went.
type alarmStep struct {
	at      time.Time
	kind    fleet.Kind
	subject fleet.Subject
	came    bool
}

// note files a change if it is one that a person would see come or go by itself.
func (r *raises) note(c *fleet.Change) {
	k := &c.Alarm.AlarmKey
	came := c.Alarm.State == fleet.Unacknowledged
	if !came && (!c.From.Active() || c.Alarm.State.Active() || c.Who != "") || k.Kind == kindFlood || k.Kind == kindChattering {
		return
	}
	if len(r.steps) >= mostSteps {
		r.steps = slices.Delete(r.steps, 0, mostSteps/4)
	}
	r.steps = append(r.steps, alarmStep{at: c.At, kind: k.Kind, subject: k.Subject, came: came})
}

// within returns the steps of the last time, and forgets what nobody asks for any more.
func (r *raises) within(d time.Duration, now time.Time) []alarmStep {
	for len(r.steps) > 0 && now.Sub(r.steps[0].at) > longestStep {
		r.steps = r.steps[1:]
	}
	for i := range r.steps {
		if now.Sub(r.steps[i].at) <= d {
			return r.steps[i:]
		}
	}
	return nil
}

const (
	kindFlood      fleet.Kind = "alarm-flood"
	kindChattering fleet.Kind = "alarm-chattering"
)

const (
	floodWindow = iota
	floodStarts
	floodEnds
)

func alarmFloodDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: kindFlood, Subject: "site", Priority: fleet.Medium,
			About: "more alarms are raised at the site than anybody can look at one by one",
			Thresholds: []fleet.Threshold{
				floodWindow: {Name: "window", Unit: fleet.Second, Default: 600, Min: 60, Max: 86400, Why: "ten minutes (ISA-18.2-2016, 16.4.4)"},
				floodStarts: {Name: "starts", Unit: fleet.Plain, Default: 10, Min: 1, Max: 500, Why: "it starts with more than ten in that time (ISA-18.2-2016, 16.4.4)"},
				floodEnds:   {Name: "ends", Unit: fleet.Plain, Default: 5, Min: 1, Max: 500, Below: "starts", Why: "it ends with fewer than five (ISA-18.2-2016, 16.4.4)"},
			},
		},
		judge: judgeAlarmFlood,
		tell:  tellAlarmFlood,
	}
}

// came counts the alarms that were raised in the window of the watch.
func (w *watch) came(now time.Time) (n int) {
	for _, s := range w.site.raises.within(w.settings.seconds(floodWindow), now) {
		if s.came {
			n++
		}
	}
	return n
}

func judgeAlarmFlood(w asked, now time.Time) finding {
	if len(w.site.raises.steps) == 0 && !w.active() {
		return no
	}
	switch n := float64(w.came(now)); {
	case n > w.settings.thresholds[floodStarts]:
		return finding{verdict: Yes}
	case n < w.settings.thresholds[floodEnds] || !w.active():
		return no
	}
	return unknown
}

func tellAlarmFlood(w asked, now time.Time) words {
	n := w.came(now)
	counts := map[fleet.Kind]int{}
	var kinds []fleet.Kind
	var first *alarmStep
	steps := w.site.raises.within(w.settings.seconds(floodWindow), now)
	for i := range steps {
		s := &steps[i]
		if !s.came {
			continue
		}
		if first == nil {
			first = s
		}
		if counts[s.kind]++; counts[s.kind] == 1 {
			kinds = append(kinds, s.kind)
		}
	}
	slices.SortFunc(kinds, func(a, b fleet.Kind) int {
		if counts[a] != counts[b] {
			return counts[b] - counts[a]
		}
		return strings.Compare(string(a), string(b))
	})
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = fmt.Sprintf("%d %s", counts[k], k)
	}
	out := w.saying("%d alarms were raised within %s, more than anybody can look at one by one: %s", n, fleet.Span(w.settings.seconds(floodWindow)), fleet.List(names))
	if first != nil {
		out.text += fmt.Sprintf("; the first was %s on %s", first.kind, first.subject)
	}
	out.figure("raised", float64(n), fleet.Plain)
	out.advice = "Look at the first one and at those of high priority: the others may be what follows from them."
	return out
}

const (
	chatterWindow = iota
	chatterSteps
)

func alarmChatteringDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: kindChattering, Subject: "site", Priority: fleet.Low,
			About: "one and the same alarm at the site comes and goes again and again",
			Thresholds: []fleet.Threshold{
				chatterWindow: {
					Name: "window", Unit: fleet.Second, Default: 900, Min: 60, Max: 86400,
					Why: "the standard fixes no test; texts about it use 1 and 5 minutes, and polls and off-delays are slower here",
				},
				chatterSteps: {
					Name: "transitions", Unit: fleet.Plain, Default: 6, Min: 3, Max: 500,
					Why: "times that it came or went in that time: more than 5, as in texts about the standard, which fixes none itself",
				},
			},
		},
		slow:  true,
		judge: judgeAlarmChattering,
		tell:  tellAlarmChattering,
	}
}

// chatters returns the alarm that came and went most often in the window, the first of several.
func (w *watch) chatters(now time.Time) (key fleet.AlarmKey, most int) {
	steps := w.site.raises.within(w.settings.seconds(chatterWindow), now)
	for i := range steps {
		n := 0
		for j := range steps {
			if steps[i].kind == steps[j].kind && steps[i].subject == steps[j].subject {
				n++
			}
		}
		if n > most {
			key, most = fleet.AlarmKey{Kind: steps[i].kind, Subject: steps[i].subject}, n
		}
	}
	return key, most
}

func judgeAlarmChattering(w asked, now time.Time) finding {
	if float64(len(w.site.raises.steps)) < w.settings.thresholds[chatterSteps] {
		return no
	}
	if _, n := w.chatters(now); float64(n) >= w.settings.thresholds[chatterSteps] {
		return finding{verdict: Yes}
	}
	return no
}

func tellAlarmChattering(w asked, now time.Time) words {
	key, n := w.chatters(now)
	out := w.saying("%s on %s came and went %d times within %s", key.Kind, key.Subject, n, fleet.Span(w.settings.seconds(chatterWindow)))
	out.figure("transitions", float64(n), fleet.Plain)
	out.advice = "Have what it names looked at. If it is right to come and go, give it a longer off_delay or a wider threshold by a rule of the fleet file; it can be shelved until then."
	return out
}
