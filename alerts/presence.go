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
	ticks     bool      // the uptime counts finely enough to tell whether the registers live
	uptimeAt  time.Time // newest frame with an uptime
	moved     time.Time // newest frame in which the uptime had grown: proof that the registers live
	lived     time.Time // newest frame in which it had grown as the clock had: they live all the time
	restarted time.Time // newest frame in which the uptime had dropped
	step      float64   // s: by how much the clock ran ahead of the uptime between the last two frames that told it
	stepAt    time.Time // newest frame in which that was more than a late answer
	missedAt  time.Time // newest poll that was tried and not answered
	missedHow fleet.Outcome
	losses    losses
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
		if f.At.After(p.missedAt) {
			p.missedAt, p.missedHow = f.At, f.Outcome
		}
	}
}

// fineTick is the coarsest uptime, in seconds, that is proof of life: one in minutes stands still at most polls.
const fineTick = 10

// seeUptime files the time since the controller started. A counter of seconds that wraps looks like a restart, which
// costs one judgement of the links, and nothing else.
func (p *presence) seeUptime(r *reading) {
	v := r.value.Number
	switch {
	case !p.hasUptime:
		p.hasUptime = true
		p.moved = r.at
	case v < p.uptime:
		p.restarted, p.moved = r.at, r.at
	case v > p.uptime:
		passed := r.at.Sub(p.uptimeAt).Seconds()
		step := passed - (v - p.uptime)
		if step <= passed/4 {
			p.lived = r.at
		}
		if p.uptimeAt.Equal(p.moved) && abs(step) > 3*fineTick {
			p.step, p.stepAt = step, r.at
		}
		p.moved = r.at
	}
	p.uptime, p.uptimeAt = v, r.at
	p.ticks = r.point.Div != 0 && r.point.Mul/r.point.Div <= fineTick
}

// back returns when the controller was first seen after the newest restart that is known; zero: none is. One that was away for
// longer than it had run before shows no drop: then its uptime tells that it began after an instant.
func (p *presence) back(since time.Time) time.Time {
	began := p.uptimeAt.Add(-time.Duration(min(p.uptime, 1e9) * float64(time.Second)))
	if !p.hasUptime || began.After(since) {
		return latest(p.restarted, p.up)
	}
	return p.restarted
}

// livesThrough reports whether the registers are known to have lived for at least a poll after an instant; a unit whose
// uptime does not tell is taken to live.
func (p *presence) livesThrough(since time.Time, period time.Duration) bool {
	return !p.ticks || p.lived.After(since) || !p.moved.Before(since.Add(2*period))
}

// stands reports whether the registers stand still: the unit answers, and its uptime does not grow.
func (p *presence) stands() bool {
	return p.ticks && p.uptimeAt.Sub(p.moved) > 2*fineTick*time.Second
}

// audibleSince returns from when on the unit could be heard in the ring and could hear it: it has answered since
// then at every poll, or can tell that it did not restart, was not off, took part and did not restart. Controllers that are idle, in fault or charging all
// send frames. Zero: it never answered.
func (u *unit) audibleSince() time.Time {
	p := &u.presence
	if p.up.IsZero() {
		return time.Time{}
	}
	missed := p.missedAt
	if p.ticks && p.uptimeAt.After(missed) {
		missed = time.Time{} // it answers again, and its uptime tells whether it restarted meanwhile
	}
	return latest(p.up, missed, p.restarted, u.stage.offAt, u.roles.disabledAt)
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
