package alerts

import (
	"time"

	"ringwarden/fleet"
)

// presence is whether and since when a controller answers.
type presence struct {
	answered  time.Time     // newest answered frame of any group; zero: none yet
	up        time.Time     // first frame of the unbroken run of answers
	beat      time.Duration // shortest period of its poll groups, as far as seen
	uptime    float64       // s; as last reported
	hasUptime bool
	moved     time.Time // newest frame in which the uptime had grown: proof that its registers are alive
	restarted time.Time // newest frame in which the uptime had dropped
	missedAt  time.Time // newest poll that was tried and not answered
}

// missable is how many polls may fail before a run of answers counts as broken.
const missable = 3

// note files that a poll was made.
func (p *presence) note(s *stream, f *fleet.Frame, period time.Duration) {
	if p.beat == 0 || period < p.beat {
		p.beat = period
	}
	switch f.Outcome {
	case fleet.Skipped: // not tried: it says nothing of the controller
	case fleet.Answered:
		if p.up.IsZero() || f.At.Sub(p.answered) > missable*p.beat+patience {
			p.up = f.At
		}
		if f.At.After(p.answered) {
			p.answered = f.At
		}
	default:
		s.missed++
		p.missedAt = latest(p.missedAt, f.At)
	}
}

// seeUptime files the time since the controller started. A counter of seconds that wraps looks like a restart, which
// costs one judgement of the links, and nothing else.
func (p *presence) seeUptime(v float64, at time.Time) {
	switch {
	case !p.hasUptime:
		p.hasUptime = true
	case v < p.uptime:
		p.restarted = at
	case v > p.uptime:
		p.moved = at
	}
	p.uptime = v
}

// audibleSince returns from when on the unit could be heard in the ring and could hear it: it has answered since
// then at every poll, was not off, took part and did not restart. Controllers that are idle, in fault or charging all
// send frames. Zero: it never answered.
func (u *unit) audibleSince() time.Time {
	p := &u.presence
	if p.up.IsZero() {
		return time.Time{}
	}
	return latest(p.up, p.missedAt, p.restarted, u.stage.offAt, u.roles.disabledAt)
}

func latest(t time.Time, others ...time.Time) time.Time {
	for _, o := range others {
		if o.After(t) {
			t = o
		}
	}
	return t
}

// fresh reports whether a reading of an instant is still news: at most three of its polls are missing since.
func fresh(at time.Time, period time.Duration, now time.Time) bool {
	return !at.IsZero() && now.Sub(at) <= missable*period+patience
}
