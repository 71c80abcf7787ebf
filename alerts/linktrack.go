package alerts

import (
	"time"

	"ringwarden/fleet"
)

// evidence is what a map offers about a cable. Counters say most: how many frames came and how many were bad. A
// sampled flag says whether the last one was good when the poll looked. An age says how long ago a good one came.
type evidence uint8

const (
	noEvidence evidence = iota
	byAge
	byFlag
	byCounters
	evidenceCount
)

// A linkReading is what one frame of the receiver says of the cable into it.
type linkReading struct {
	good, bad counted
	ok        truth
	age       float64 // s
	hasAge    bool
}

func (r *linkReading) any() bool {
	return r.good.value != nil || r.bad.value != nil || r.ok != unread || r.hasAge
}

// quietTrack is what is known of a link's silence.
type quietTrack struct {
	by     evidence  // the best that was seen
	at     time.Time // newest frame with evidence
	period time.Duration
	since  time.Time // since then nothing has arrived; zero: nothing was seen yet
	news   bool      // the newest frame showed that something had arrived
	misses int       // samples in a row without news
	rough  time.Time // newest frame that showed damaged frames
	doubt  doubt

	good, bad counter
	flow      flow

	age, oldest float64 // s: newest age, and the oldest that was normal
}

// flow is how often frames arrive, learned from polls that showed some.
type flow struct {
	seconds, frames float64       // with old ones weighing less
	gaps            int           // how many waits between two polls with arrivals were seen
	longest         time.Duration // longest of them lately
}

// memory is how much of what was learned about a flow stays at each poll with arrivals.
const memory = 0.995

// learn takes in the wait that ends with frames at an instant. How long waits are is learned only where no poll is
// missing in it: otherwise frames may have come meanwhile.
func (q *quietTrack) learn(at time.Time, frames float64, sender time.Time) {
	gap := at.Sub(q.since)
	if gap > q.reliable() {
		return
	}
	f := &q.flow
	f.seconds = f.seconds*memory + gap.Seconds()
	f.frames = f.frames*memory + frames
	f.longest = time.Duration(float64(f.longest) * memory)
	if gap <= time.Duration(q.misses+1)*q.period+q.period/2 && !sender.After(q.since) {
		f.longest = max(f.longest, gap)
	}
	f.gaps++
}

// learned is how many gaps must have been seen before the flow is believed.
const learned = 4

// interval returns the mean time between frames; 0: not known.
func (f *flow) interval() time.Duration {
	if f.gaps < learned || f.frames <= 0 {
		return 0
	}
	return time.Duration(f.seconds / f.frames * float64(time.Second))
}

// take files what a frame of a poll group says of the link.
func (l *link) take(r *linkReading, at time.Time, period time.Duration, g fleet.Group) {
	q := &l.quiet
	if !q.at.IsZero() && at.Sub(q.at) > missable*period+patience {
		l.lose(at)
	}
	by, frames, bad, news := noEvidence, 0.0, 0.0, false
	switch {
	case r.good.value != nil || r.bad.value != nil:
		by = byCounters
		frames, bad = q.count(r)
		news = frames > 0
	case r.ok != unread:
		by, frames = byFlag, 1
		if news = r.ok == isTrue; !news {
			bad = 1
		}
		frames, bad = l.weigh(frames, bad, period)
	case r.hasAge:
		by = byAge
		news = q.seeAge(r.age)
	}
	if by < q.by {
		return // a lesser witness in another poll group
	}
	if by > q.by || q.since.IsZero() {
		*q = quietTrack{by: by, at: at, period: period, since: at, good: q.good, bad: q.bad, age: r.age}
		q.doubt.polled = at
		return // the first reading shows no increase yet
	}
	look := false
	if by == byFlag {
		look = l.sample(news, at, period, g)
	}
	q.at, q.period = at, period
	if bad > 0 {
		q.rough = at
	}
	if q.news = news; news {
		if !look {
			q.learn(at, frames, l.from.audibleSince())
		}
		q.since, q.misses = at, 0
	} else {
		q.misses++
	}
	if by != byAge && !look {
		l.noise.add(at, frames, bad)
	}
}

// weigh lets a sample of a flag count for as much of a frame as it is of.
func (l *link) weigh(frames, bad float64, period time.Duration) (float64, float64) {
	part := 1.0
	if apart, _ := l.to.ring.sticks.apart(); apart > period {
		part = float64(period) / float64(apart)
	}
	return frames * part, bad * part
}

// reliable is the longest wait that is learned from: a longer one may have been a fault.
func (q *quietTrack) reliable() time.Duration {
	if q.flow.gaps < learned {
		return time.Hour
	}
	return max(4*q.flow.longest, 4*q.period, interruption)
}

// interruption is a wait that is learned from in any case: a loose contact that lets go for so long again and again is
// a noisy cable, not one that goes down each time.
const interruption = 10 * time.Second

// lose forgets since when nothing arrived, after a time in which the receiver was not heard.
func (l *link) lose(at time.Time) {
	l.quiet.since, l.quiet.misses, l.quiet.doubt = at, 0, doubt{}
	l.noise.batch = batch{}
}

// count returns how many frames came since the last reading, and how many of them were bad.
func (q *quietTrack) count(r *linkReading) (frames, bad float64) {
	most := q.plausible()
	if r.good.value != nil {
		frames += q.good.step(r.good, most)
	}
	if r.bad.value != nil {
		bad = q.bad.step(r.bad, most)
		frames += bad
	}
	return frames, bad
}

// plausible is how many frames may have come since the last reading: what tells a counter that wrapped from one that
// was reset.
func (q *quietTrack) plausible() float64 {
	const unlearned = 1000
	if q.flow.gaps < learned || q.flow.seconds <= 0 {
		return unlearned
	}
	expected := q.flow.frames / q.flow.seconds * (q.period + time.Minute).Seconds()
	return 20 * max(expected, 5)
}

// seeAge files an age and reports whether something arrived since the last one: it is younger than it would be.
func (q *quietTrack) seeAge(age float64) bool {
	younger := age < q.age || age == 0
	if younger {
		q.oldest = max(q.oldest*memory, q.age)
	}
	q.age = age
	return younger
}

// counted is a counter's value with its point.
type counted struct {
	value *fleet.Value
	point *fleet.Point
}

// A counter is the last reading of one that only grows, until it wraps or the device restarts.
type counter struct {
	raw    uint64
	number float64
	seen   bool
}

// step returns by how much the counter grew. A drop is a wrap if the counter's width makes it a plausible increase;
// otherwise it was reset, and grew by what it shows now, if that is plausible, since it began at nought.
func (c *counter) step(v counted, most float64) float64 {
	last := *c
	*c = counter{raw: v.value.Raw, number: v.value.Number, seen: true}
	if !last.seen {
		return 0
	}
	if c.number >= last.number {
		return c.number - last.number
	}
	if p := v.point; p.Form == fleet.FormUnsigned && p.Bits > 0 && p.Bits <= 64 && p.Div != 0 {
		grown := (c.raw - last.raw) & (^uint64(0) >> (64 - p.Bits))
		if wrapped := float64(grown) * p.Mul / p.Div; wrapped >= 0 && wrapped <= most {
			return wrapped
		}
	}
	if c.number <= most {
		return max(c.number, 0)
	}
	return 0
}
