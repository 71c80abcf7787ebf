package alerts

import (
	"fmt"
	"math"
	"time"

	"ringwarden/fleet"
)

const (
	downFrames = iota
	downQuiet
	downUnlearned
	downNoisy
)

func linkDownDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "link-down",
			About:    "nothing arrives over the cable, although both ends answer and are awake",
			Subject:  "link",
			Priority: fleet.High,
			OffDelay: time.Minute,
			Thresholds: []fleet.Threshold{
				downFrames: {
					Name: "frames", Unit: fleet.Plain, Default: 3, Min: 1, Max: 10000,
					Why: "expected frames in a row that did not come, the last of them about to: a damaged one counts as come, so that one after another fails to come by chance hardly ever (common practice, no source)",
				},
				downQuiet: {
					Name: "quiet", Unit: fleet.Second, Default: 2, Min: 0, Max: 86400,
					Why: "shorter interruptions are a noisy cable, not one that is down: nobody could act on them; twice as long shortly after damaged frames, as from a loose contact (common practice, no source)",
				},
				downUnlearned: {
					Name: "unlearned", Unit: fleet.Second, Default: 60, Min: 1, Max: 86400,
					Why: "how long to wait where no frame has come over any cable of the ring yet (common practice, no source)",
				},
				downNoisy: {
					Name: "noisy_quiet", Unit: fleet.Second, Default: 60, Min: 0, Max: 86400,
					Why: "in place of quiet while the cable is known to be noisy, or is about to be: a loose contact interrupts for a while again and again, and that is one fault (common practice, no source)",
				},
			},
		},
		judge: judgeLinkDown,
		tell:  tellLinkDown,
	}
}

// judgeLinkDown says yes when nothing has arrived for longer than frames take, while both ends could be heard all the
// time. A sender that is off, takes no part or restarted explains what is missing; if it does not answer at all, its
// own silence is the alarm. Two neighbours' silence is never called a cable.
func judgeLinkDown(w asked, now time.Time) finding {
	l := w.link
	q := &l.quiet
	if !fresh(q.at, q.period, now) {
		return unknown
	}
	if q.news {
		return no
	}
	need := w.needed()
	if !l.to.presence.livesThrough(q.since, q.period) {
		return unknown // its registers may stand still as a whole, since a little later than the counters
	}
	if !l.failing() {
		return unknown
	}
	from := latest(q.since, l.from.audibleSince(), l.to.audibleSince())
	until := q.at
	if a := l.from.presence.answered; a.Before(until) {
		until = a
	}
	switch {
	case q.by == byFlag && !l.from.presence.answered.After(q.doubt.first) && !l.from.watch[controllerSilent].active():
		return unknown // it may have gone just now
	case until.Sub(from)+tickSlack >= need && !l.from.audibleSince().IsZero():
		return finding{verdict: Yes, since: q.since}
	case q.at.Sub(q.since)+tickSlack >= need && l.from.watch[controllerSilent].active():
		return finding{verdict: Yes, because: l.from.watch[controllerSilent], since: q.since}
	}
	return unknown
}

// lettingGo is how soon after damaged frames a silence may be that of a loose contact, which lets go for a moment.
const lettingGo = 5 * time.Second

// roughBefore reports whether damaged frames came before the silence as of a loose contact: the last ones were, or one shortly
// before and clearly more of them in the last minutes than is usual. A single one with good ones after it comes on any cable.
func (l *link) roughBefore() bool {
	q, t := &l.quiet, &l.noise
	many := t.batch.bad > 1+2*l.watch[linkNoisy].usual().share*t.batch.frames
	return q.rough.Equal(q.since) || q.since.Sub(q.rough) <= lettingGo && (t.score > 0 || many)
}

// needed is how long nothing must arrive.
func (w *watch) needed() time.Duration {
	q := &w.link.quiet
	quiet := w.settings.seconds(downQuiet)
	if q.by == byCounters && w.link.roughBefore() {
		quiet *= 2
	}
	if noisy := w.settings.seconds(downNoisy); w.link.suspect(noisy / 2) {
		quiet = max(quiet, noisy)
	}
	if q.by == byAge {
		return max(quiet, time.Duration(2*q.oldest*float64(time.Second)), 2*q.period)
	}
	interval := q.flow.interval()
	longest := q.flow.longest
	if interval == 0 {
		interval, longest = w.ring.interval, 0
	}
	if interval == 0 {
		return w.settings.seconds(downUnlearned)
	}
	if q.by == byFlag {
		return quiet // how many samples say so decides
	}
	// Of so many frames the last was due at most so long after the last news.
	frames := time.Duration((w.settings.thresholds[downFrames] - 1) * float64(interval))
	usual := max(interval, q.period)
	shown := (usual + q.period - 1) / q.period * q.period // by polls, if frames come as usual
	switch {
	case longest > usual+q.period:
		return max(quiet, frames, 2*longest) // it has let go before
	case longest > shown || q.flow.gaps < wellKnown:
		return max(quiet, frames, longest+usual)
	}
	return max(quiet, frames, q.period)
}

// wellKnown is how many gaps must have been seen before one poll without any frame is odd.
const wellKnown = 20

// leastBad is how many bad frames in a row a sampled flag must have shown: as many as chance brings in a row on a cable of
// the ring less than once in ten years, by the share that is bad now and then: this cable's, but half of all cables' at least,
// as the best of them may have. What is not known of that share yet is not allowed for: few frames come before it is.
func (l *link) leastBad() int {
	const year, years = 365.25 * 24 * time.Hour, 10
	r, u := l.to.ring, l.watch[linkNoisy].usual()
	if u.share == 0 || l.spotless() {
		return 2
	}
	share := min(max(l.noise.own(u, 0), r.flags/2), 0.5)
	apart, _ := r.sticks.apart()
	frames := float64(year) / float64(max(l.quiet.period, apart, time.Millisecond)) * years * float64(len(r.links))
	return max(2, int(math.Ceil(math.Log(frames)/-math.Log(share))))
}

// spotless reports whether many frames have come over the ring's cables, and never a bad one before what goes on now. In
// such a ring two bad ones in a row hardly ever come first by chance: where bad ones are few so are pairs of them, and
// where they are many a single one has come before.
func (l *link) spotless() bool {
	const many = 100
	frames := 0.0
	for _, o := range l.to.ring.links {
		bad := o.noise.bad
		if o == l {
			bad -= l.noise.run.bad
		}
		if bad > 0 {
			return false
		}
		frames += o.noise.frames
	}
	return frames >= many
}

// failing reports whether the newest samples or polls together say that the cable may be going down.
func (l *link) failing() bool {
	q := &l.quiet
	if q.by == byFlag {
		return l.missing() <= 0 && q.doubt.spread(q.at, q.period, l.leastBad())
	}
	return q.misses >= 1
}

func tellLinkDown(w asked, now time.Time) words {
	l := w.link
	q := &l.quiet
	quiet := now.Sub(q.since)
	seen := "its counters of received frames have stood still"
	switch q.by {
	case byFlag:
		seen = fmt.Sprintf("%d samples in a row say that it hears nobody", q.misses)
	case byAge:
		seen = fmt.Sprintf("it last heard %s %s ago", l.from.name, fleet.Span(time.Duration(q.age*float64(time.Second))))
	}
	usual := ""
	if i := q.flow.interval(); i > 0 && q.by == byCounters {
		usual = "; usually " + often(i)
	}
	out := w.saying("nothing has come from %s to %s for %s: %s%s", l.from.name, l.to.name, fleet.Span(quiet), seen, usual)
	out.figure("quiet", quiet.Seconds(), fleet.Second)
	out.figure("needed", w.needed().Seconds(), fleet.Second)
	if i := q.flow.interval(); i > 0 {
		out.figure("interval", i.Seconds(), fleet.Second)
	}
	out.advice = fmt.Sprintf("Check the cable from the out jack of %s to the in jack of %s: both plugs home, no crushed or wet place; then try a cable that is known to be good.",
		l.from.name, l.to.name)
	return out
}
