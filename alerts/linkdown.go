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
					Why: "expected frames in a row that did not come; one or two are lost now and then (common practice, no source)",
				},
				downQuiet: {
					Name: "quiet", Unit: fleet.Second, Default: 3, Min: 0, Max: 86400,
					Why: "shorter interruptions are a noisy cable, not one that is down: nobody could act on them; three polls are waited for anyhow (common practice, no source)",
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
	if !l.to.presence.livesAfter(q.since.Add(2*q.period - 1)) {
		return unknown // its registers may stand still as a whole, since a little later than the counters
	}
	if q.misses < q.least() {
		return unknown
	}
	from := latest(q.since, l.from.audibleSince(), l.to.audibleSince())
	until := q.at
	if a := l.from.presence.answered; a.Before(until) {
		until = a
	}
	switch {
	case until.Sub(from) >= need && !l.from.audibleSince().IsZero():
		return finding{verdict: Yes, since: q.since}
	case q.at.Sub(q.since) >= need && l.from.watch[controllerSilent].active():
		return finding{verdict: Yes, because: l.from.watch[controllerSilent], since: q.since}
	}
	return unknown
}

// polls is how long polls must have found nothing: three, since one or two may be late or fall between two frames, or
// two where that is an interruption already.
func (q *quietTrack) polls() time.Duration {
	return max(2*q.period, min(3*q.period, interruption))
}

// needed is how long nothing must arrive.
func (w *watch) needed() time.Duration {
	q := &w.link.quiet
	quiet := w.settings.seconds(downQuiet)
	if w.link.suspect() {
		quiet = max(quiet, w.settings.seconds(downNoisy))
	}
	if q.by == byAge {
		return max(quiet, time.Duration(2*q.oldest*float64(time.Second)), q.polls())
	}
	interval := q.flow.interval()
	longest := q.flow.longest
	if interval == 0 {
		interval, longest = w.ring.interval, 0
	}
	if interval == 0 {
		return w.settings.seconds(downUnlearned)
	}
	frames := time.Duration(w.settings.thresholds[downFrames] * float64(interval))
	usual := max(interval, q.period)
	waits := longest + usual
	if longest > usual+q.period {
		waits = 2 * longest // it has let go before
	}
	// The first of those frames may have been due as long as a poll before the last news were seen.
	return max(quiet, frames-q.period, waits, q.polls())
}

// chance is how improbable a run of bad samples must be on a cable that is as good as its own past before it is called
// down: at a sample each second on 200 cables, less than one such run in a month.
const chance = 1e-9

// least is how many samples in a row must have shown nothing.
func (q *quietTrack) least() int {
	if q.by != byFlag {
		return 2
	}
	share := 0.001
	if q.flow.gaps >= learned && q.flow.frames > 0 {
		// Each gap but the shortest has bad samples in it; the mean gap tells their share.
		mean := q.flow.seconds / q.flow.frames / q.period.Seconds()
		share = min(max(1-1/mean, share), 0.5)
	}
	return int(math.Ceil(math.Log(chance) / math.Log(share)))
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
