package alerts

import (
	"math"
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

// nearly is what may be missing of the frames that decide, all together, for the same reason, where looks have shown that
// time.
const nearly = 0.2

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
	apart, _ := s.apart()
	if look = at.After(d.polled) && at.Before(d.polled.Add(period)); !look {
		d.polled = at
	}
	d.group = g
	back := l.cameBack()
	heard := !back.IsZero() && !back.After(q.since) // both ends, since before the flag was bad
	if look && q.misses == 1 && heard && !l.watch[linkNoisy].active() {
		d.waited = at.Sub(q.at)
	}
	if good {
		if d.waited > 0 { // what is looked at while the cable is down tells nothing of frames
			s.look(d.waited, q.misses == 1)
		}
		if d.polls > 0 && heard && !l.watch[linkDown].active() {
			s.learn(d.polls, period)
		}
		*d = doubt{polled: d.polled, group: g}
		return look
	}
	if !look {
		d.polls++
	}
	switch {
	case q.misses == 0:
		d.first, d.frames = at, 1
	case back.After(d.first): // bad samples from before an end came back say nothing of the cable, nor does one so soon after
		*d = doubt{polled: d.polled, group: g, first: at, polls: 1, asks: d.asks, frames: newFrames(at.Sub(back), apart)}
	default:
		d.frames += newFrames(at.Sub(q.at), apart)
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

// The first look, which finds out how far apart frames are, comes after so many tenths of the poll period, but no later than
// latestFirst, and where frames are known to come more often, after half of their time: the nearer, the better it tells.
const (
	firstLook   = 3
	latestFirst = 4 * time.Second
)

// firstAfter returns how long after a bad sample the first look is due.
func (l *link) firstAfter() time.Duration {
	after := min(l.quiet.period*firstLook/10, latestFirst)
	if seen, ok := l.to.ring.sticks.seen(); ok {
		after = min(after, seen/2)
	}
	return max(after, leastWait)
}

// lookAfter returns how long after the newest sample the next look is due. Those after the first are spread over the time
// that the verdict needs anyway, but so that each is of a frame of its own.
func (l *link) lookAfter() time.Duration {
	q, s := &l.quiet, &l.to.ring.sticks
	if q.doubt.asks == 0 && !s.slow() {
		return l.firstAfter()
	}
	missing := l.missing()
	apart, _ := s.apart()
	left := q.doubt.first.Add(spreadTime(q.period, l.leastBad())).Sub(q.at)
	even := time.Duration(float64(left) / max(math.Ceil(missing), 1))
	fresh := time.Duration(min(aboutWhole, missing) * float64(apart))
	return max(even, fresh, leastWait)
}

// missing returns how many bad frames more a sampled flag must show.
func (l *link) missing() float64 {
	const sums = 1e-9 // of parts
	missing := float64(l.leastBad()) - l.quiet.doubt.frames - sums
	if _, looked := l.to.ring.sticks.apart(); looked {
		missing -= nearly
	}
	return missing
}

// spread reports whether the bad samples are spread over enough time.
func (d *doubt) spread(at time.Time, period time.Duration, least int) bool {
	return at.Sub(d.first)+tickSlack >= spreadTime(period, least)
}

// spreadTime is how long bad samples must go on: as long as so many polls take, or a flurry cannot last.
func spreadTime(period time.Duration, least int) time.Duration {
	return min(time.Duration(least-1)*period, period*spreadOver/10)
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
	down := l.watch[linkDown]
	switch {
	case q.by != byFlag || q.misses == 0 || d.asks >= mostLooks || !fresh(q.at, q.period, now):
		return at, false
	case down.settings.disabled || down.active() && down.because == (fleet.AlarmKey{}) || l.watch[linkNoisy].active():
		return at, false
	}
	switch back := l.cameBack(); {
	case back.IsZero():
		return at, false
	case back.After(d.first): // an end was away: what comes now is seen by a sample that is taken after that
		at = back.Add(l.firstAfter())
	case l.failing(): // that is enough
		return at, false
	default:
		at = q.at.Add(l.lookAfter())
	}
	return latest(at, d.asked.Add(leastWait)).Add(-tickSlack), at.Before(d.polled.Add(q.period - leastWait/2))
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

// decides reports whether the newest sample of a flag may be the one that an alarm waited for.
func (l *link) decides() bool {
	return l.quiet.by == byFlag && !l.quiet.news && !l.watch[linkDown].active() && l.failing()
}

// Eager reports whether a sample came since the last [Engine.Advance] that may decide a doubt, so that it is worth to call
// that at once. Nobody needs to: the alarm comes with the next call then.
func (e *Engine) Eager() bool { return e.eager }

// Looked returns how many looks were asked for since the engine was made.
func (e *Engine) Looked() uint64 { return e.looked }
