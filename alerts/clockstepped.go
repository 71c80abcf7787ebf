package alerts

import (
	"fmt"
	"slices"
	"time"

	"ringwarden/fleet"
)

// ClockStepped is the kind that says that this machine's clock was set. See [Engine.StepClock].
const ClockStepped fleet.Kind = "clock-stepped"

// A seenStep is a step that the program saw of its own clock.
type seenStep struct {
	at      time.Time // by the clock after it
	seconds float64
	moved   bool
}

// clockSteps are the newest of them, the newest last, at most stepsKept: each is said once, or a later one instead.
type clockSteps []seenStep

const stepsKept = 16

// explain reports whether a step that uptimes show is one of these: they show it with their next poll, which may have to
// wait for a while.
func (s clockSteps) explain(at time.Time, within time.Duration) bool {
	return slices.ContainsFunc(s, func(c seenStep) bool {
		after := at.Sub(c.at)
		return after > -patience && after < within
	})
}

// seen returns the newest step that is to be said; nil: there is none.
func (w asked) seen(now time.Time) *seenStep {
	for i := len(*w.steps) - 1; i >= 0; i-- {
		s := &(*w.steps)[i]
		ago := now.Sub(s.at)
		if ago > -patience && ago <= w.settings.seconds(clockFor) && abs(s.seconds) >= w.settings.thresholds[clockStep] {
			return s
		}
	}
	return nil
}

// StepClock tells the engine that this machine's clock was stepped, as the program itself saw: what it would say had it run
// on, and what it says. moved says whether readings were moved along. It is said once, on [fleet.OwnStore], and the
// controllers' uptimes are not asked about it. Tell it again after a restart, for as long as it may be said.
func (e *Engine) StepClock(before, after time.Time, moved bool) {
	*e.steps = append(*e.steps, seenStep{at: after, seconds: after.Sub(before).Seconds(), moved: moved})
	if n := len(*e.steps) - stepsKept; n > 0 {
		*e.steps = slices.Delete(*e.steps, 0, n)
	}
	for _, u := range e.units {
		u.presence.hasUptime = false // the next one is of another clock
	}
}

func (e *Engine) watchClock() {
	e.watchOn(clockStepped, fleet.OwnStore, watch{site: &site{name: "the program's own clock"}, steps: e.steps})
}

const (
	clockStep = iota
	clockFor
)

func clockSteppedDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: ClockStepped, Subject: "site", Priority: fleet.Low,
			About: "this machine's clock was set: by what the program itself saw of it, then on its own store, or else by what the controllers' uptimes say",
			Thresholds: []fleet.Threshold{
				clockStep: {Name: "step", Unit: fleet.Second, Default: 60, Min: 5, Max: 86400, Why: "more than any late answer; a clock that is kept by the network moves by less (common practice, no source)"},
				clockFor:  {Name: "said_for", Unit: fleet.Second, Default: 3600, Min: 60, Max: 7 * 86400, Why: "so that it is seen"},
			},
		},
		slow: true, judge: judgeClockStepped, tell: tellClockStepped,
	}
}

// step returns by how much the clock was set when most controllers that tell their uptime last saw a step: two at
// least must agree, since a device's own uptime may jump as well.
func (w *watch) step(now time.Time) (seconds float64, at time.Time, told int) {
	agree := 0
	for _, u := range w.site.units {
		p := &u.presence
		if !p.ticks {
			continue
		}
		told++
		if p.stepAt.IsZero() || w.steps.explain(p.stepAt, w.settings.seconds(clockFor)) || now.Sub(p.stepAt) > w.settings.seconds(clockFor) || abs(p.step) < w.settings.thresholds[clockStep] {
			continue
		}
		if agree == 0 {
			seconds, at = p.step, p.stepAt
		}
		if abs(p.step-seconds) <= 2*fineTick {
			agree++
		}
	}
	if agree < 2 || 2*agree <= told {
		return 0, time.Time{}, told
	}
	return seconds, at, told
}

func abs(v float64) float64 { return max(v, -v) }

func judgeClockStepped(w asked, now time.Time) finding {
	if w.key.Subject == fleet.OwnStore {
		if s := w.seen(now); s != nil {
			return finding{verdict: Yes, since: s.at}
		}
		return no
	}
	switch _, at, told := w.step(now); {
	case !at.IsZero():
		return finding{verdict: Yes, since: at}
	case told < 2:
		return unknown
	}
	return no
}

func tellClockStepped(w asked, now time.Time) words {
	var at time.Time
	var seconds float64
	var why string
	if w.key.Subject == fleet.OwnStore {
		s := w.seen(now)
		at, seconds, why = s.at, s.seconds, "; readings from before keep their times, which may have been right"
		if s.moved {
			why = "; readings from before, since the machine was started, were moved along and are marked"
		}
	} else {
		var told int
		seconds, at, told = w.step(now)
		why = fmt.Sprintf(", as the uptimes of %d controllers show; times in the history before and after do not fit together", told)
	}
	way := "forward"
	if seconds < 0 {
		way = "back"
	}
	by := fleet.Span(time.Duration(abs(seconds) * float64(time.Second)))
	out := w.saying("%s this machine's clock was set %s by %s%s", fleet.Ago(now.Sub(at)), way, by, why)
	out.figure("step", seconds, fleet.Second)
	out.advice = "Let the network keep this machine's clock, or give it a clock with a battery."
	return out
}
