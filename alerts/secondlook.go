package alerts

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A Look is a poll that the engine asks for between the ordinary ones: of a controller whose sampled flag of its cable was
// bad when it was read last. One bad sample tells nothing, and the next poll may be a minute away; the first look mostly ends
// the doubt.
type Look struct {
	Controller fleet.ControllerID
	Group      fleet.Group // that has the flag
}

// Bounds of second looks. On a cable of which a share p of the frames is bad they make about p more polls of the group
// with the flag: 3 % more where 3 % are bad.
const (
	// mostLooks is how many there are for one bad run: what is not decided then is left to the polls.
	mostLooks = 10
	// leastWait is how long after the last sample a controller is left alone at least.
	leastWait = time.Second
	// tickSlack is by how much a look may come too soon: the tick of the clock that asks for it is not quite in time.
	tickSlack = 100 * time.Millisecond
	// doubted and doubtedOf bound how many cables of a ring are looked at at a time: so many, and one for each so many
	// controllers more. The others wait for the next poll.
	doubted, doubtedOf = 4, 16
)

// spreadOver is over how much of the poll period, in tenths, the samples are spread that decide: flurries of bad frames
// that are over by the next poll are on any cable now and then, and must not be taken for one that is down.
const spreadOver = 15

// aboutWhole is the part of the time between two frames after which a sample counts as one of the next frame: nobody knows
// that time better.
const aboutWhole = 0.8

// doubt is what the newest samples of a flag say, if they are bad.
type doubt struct {
	polled time.Time // newest sample of an ordinary poll; looks come between
	first  time.Time // first of the bad ones in a row
	polls  int       // of those, how many were of ordinary polls
	frames float64   // that those are of, at least
	asked  time.Time // newest look that was asked for
	asks   int       // for the run
	group  fleet.Group
	waited time.Duration // between the first bad sample and the first look; 0: there was none that tells
}

// sample files a sample of a flag, and reports whether it was a second look: one that comes sooner after the last poll
// than polls do. Of the cable's noise a look tells nothing, since it is made where the last sample was bad.
func (l *link) sample(good bool, at time.Time, period time.Duration, g fleet.Group) (look bool) {
	q, s := &l.quiet, &l.to.ring.sticks
	d := &q.doubt
	if look = at.After(d.polled) && at.Before(d.polled.Add(period)); !look {
		d.polled = at
	}
	d.group = g
	if back := l.cameBack(); look && q.misses == 1 && !l.watch[linkNoisy].active() && !back.IsZero() && !back.After(q.since) {
		d.waited = at.Sub(q.at)
	}
	if good {
		if d.waited > 0 { // what is looked at while the cable is down tells nothing of frames
			s.look(d.waited, q.misses == 1)
		}
		if d.polls > 0 {
			s.learn(d.polls, period)
		}
		*d = doubt{polled: d.polled, group: g}
		return look
	}
	if !look {
		d.polls++
	}
	switch back := l.cameBack(); {
	case q.misses == 0:
		d.first, d.frames = at, 1
	case back.After(d.first): // bad samples from before an end came back say nothing of the cable, nor does the first after
		*d = doubt{polled: d.polled, group: g, first: at, polls: 1, asks: d.asks}
	default:
		d.frames += newFrames(at.Sub(q.at), s.apart())
	}
	l.wonder()
	return look
}

// newFrames returns how many new frames a sample is of, so long after the last one: one at most.
func newFrames(after, apart time.Duration) float64 {
	if part := after.Seconds() / max(apart, time.Millisecond).Seconds(); part < aboutWhole {
		return part
	}
	return 1
}

// The first look, which finds out how far apart frames are, comes after this part of the poll period, but no later than
// latestFirst.
const (
	firstLook   = 4
	latestFirst = 4 * time.Second
)

// lookAfter returns how long after the first bad sample the next look is due. Those after the first are spread over the time
// that they need, but so that each is of a frame of its own. False: polls tell as soon.
func (l *link) lookAfter() (time.Duration, bool) {
	q, s := &l.quiet, &l.to.ring.sticks
	least, apart := l.leastBad(), s.apart()
	every := max(q.period*spreadOver/10/time.Duration(least-1), leastWait)
	if (q.doubt.asks > 0 || s.slow()) && newFrames(every, apart) < 1 {
		every = apart
	}
	if least < 3 || every > q.period*3/4 {
		return 0, false
	}
	if q.doubt.asks == 0 {
		return max(min(q.period/firstLook, latestFirst), leastWait), true
	}
	return time.Duration(q.doubt.asks) * every, true
}

// spread reports whether the bad samples are spread over enough time: as long as so many polls take, or a flurry cannot last.
func (d *doubt) spread(at time.Time, period time.Duration, least int) bool {
	return at.Sub(d.first)+tickSlack >= min(time.Duration(least-1)*period, period*spreadOver/10)
}

// cameBack returns since when both ends are heard, and zero while the sender is not.
func (l *link) cameBack() time.Time {
	if p := &l.from.presence; p.missedAt.After(p.answered) {
		return time.Time{}
	}
	return latest(l.from.audibleSince(), l.to.audibleSince())
}

// wonder puts the link among those that are looked at, if there is room.
func (l *link) wonder() {
	r := l.to.ring
	if len(r.doubts) < doubted+len(r.units)/doubtedOf && !slices.Contains(r.doubts, l) {
		r.doubts = append(r.doubts, l)
	}
}

// nextLook returns when the link is worth a look, and false if it is none before the next poll is near.
func (l *link) nextLook(now time.Time) (at time.Time, ok bool) {
	q := &l.quiet
	d := &q.doubt
	down, back := l.watch[linkDown], l.cameBack()
	switch {
	case q.by != byFlag || q.misses == 0 || d.asks >= mostLooks || !fresh(q.at, q.period, now):
		return at, false
	case down.settings.disabled || down.active() || l.watch[linkNoisy].active() || l.failing():
		return at, false
	case back.IsZero() || back.After(d.first): // an end was away
		return at, false
	}
	after, ok := l.lookAfter()
	return latest(d.first.Add(after), d.asked.Add(leastWait)).Add(-tickSlack), ok
}

// Looks returns which controllers are to be polled at once, beside the polls that are due anyway, and takes them for
// asked. Call it after each [Engine.Advance]; what comes of it is a frame as any other. Nobody needs to: alarms come later
// then.
func (e *Engine) Looks(now time.Time) []Look {
	var looks []Look
	for _, s := range e.sites {
		for _, r := range s.rings {
			if len(r.doubts) == 0 {
				continue
			}
			r.doubts = slices.DeleteFunc(r.doubts, func(l *link) bool {
				at, ok := l.nextLook(now)
				if ok && !at.After(now) {
					d := &l.quiet.doubt
					d.asked = now
					d.asks++
					looks = append(looks, Look{Controller: l.to.c.ID, Group: d.group})
				}
				return !ok
			})
		}
	}
	e.looked += uint64(len(looks))
	return looks
}

// Doubting reports whether [Engine.Looks] may soon have a wish.
func (e *Engine) Doubting() bool {
	for _, s := range e.sites {
		for _, r := range s.rings {
			if len(r.doubts) > 0 {
				return true
			}
		}
	}
	return false
}

// Looked returns how many looks were asked for since the engine was made.
func (e *Engine) Looked() uint64 { return e.looked }
