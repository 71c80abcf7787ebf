package alerts

import (
	"fmt"
	"math"
	"time"

	"ringwarden/fleet"
)

const (
	noisyShare = iota
	noisyRatio
	noisyUsual
	noisyScore
	noisyBatches
	noisyDeadband
)

func linkNoisyDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "link-noisy",
			About:    "clearly more frames arrive damaged over the cable than is usual in its ring",
			Subject:  "link",
			Priority: fleet.Medium,
			Thresholds: []fleet.Threshold{
				noisyShare: {
					Name: "share", Unit: fleet.Ratio, Default: 0.05, Min: 0.001, Max: 0.5,
					Why: "share of bad frames that means cable; odd ones are normal (common practice, no source)",
				},
				noisyRatio: {
					Name: "ratio", Unit: fleet.Plain, Default: 4, Min: 1.5, Max: 100,
					Why: "and this many times what is usual in the ring: interference on all cables is no single cable's fault",
				},
				noisyUsual: {
					Name: "usual", Unit: fleet.Ratio, Default: 0.03, Min: 0.0001, Max: 0.4,
					Why: "largest share that can be called usual, however bad the whole ring is (common practice, no source)",
				},
				noisyScore: {
					Name: "score", Unit: fleet.Plain, Default: 14, Min: 3, Max: 100,
					Why: "natural logarithm of a likelihood ratio, for one cable with a frame each second; the logarithm of cables and frames is added. A healthy cable starts such a run with a chance of about exp(-14) (Wald 1947), and the ring's norm, what the cable itself usually has and what is not known of both are allowed for",
				},
				noisyBatches: {
					Name: "batches", Unit: fleet.Plain, Default: 4, Min: 1, Max: 60,
					Why: "minutes that must have been bad, so that a burst or two are no trend",
				},
				noisyDeadband: {
					Name: "deadband", Unit: fleet.Ratio, Default: 0.25, Min: 0, Max: 1,
					Why: "share of the score at which the alarm returns",
				},
			},
		},
		judge: judgeLinkNoisy,
		tell:  tellLinkNoisy,
		adopt: func(w *watch) { w.link.noise.score = max(w.link.noise.score, w.limit()) },
	}
}

// A batch is what came in about a minute: the unit in which a link is judged, so that polls of any period count alike.
type batch struct {
	since       time.Time
	frames, bad float64
}

const batchTime = time.Minute

// noiseTrack is what is known of a link's damaged frames.
type noiseTrack struct {
	batch  batch
	ready  bool    // the batch is complete
	score  float64 // of the cumulative sum
	run    batch   // everything since the score was last nought
	frames float64 // over about half a day, older ones weighing less
	bad    float64
	judged bool // a batch has been judged
}

// add files what came since the last poll.
func (t *noiseTrack) add(at time.Time, frames, bad float64) {
	if t.batch.since.IsZero() {
		t.batch = batch{since: at}
	}
	t.batch.frames += frames
	t.batch.bad += bad
	t.ready = at.Sub(t.batch.since) >= batchTime
}

// forget drops what is known of the noise now, and keeps what is known of the link's past.
func (t *noiseTrack) forget() {
	t.frames, t.bad = max(t.frames-t.run.frames, 0), max(t.bad-t.run.bad, 0)
	t.batch, t.run = batch{}, batch{}
	t.ready, t.judged, t.score = false, false, 0
}

const (
	forgets    = 0.999    // of a link's past stays at each batch
	leastUsual = 0.0125   // the test never asks for more than four times less than the share that it looks for
	apart      = 1.5      // nor for less than this many times what the cable usually has
	calm       = 1.0 / 12 // of the limit is the most that a quiet minute takes off the score
)

// close judges the batch and begins the next one.
func (t *noiseTrack) close(w *watch) {
	b := t.batch
	t.batch, t.ready = batch{}, false
	if b.frames == 0 {
		return
	}
	h := w.limit()
	most := h / w.settings.thresholds[noisyBatches]
	t.score = step(t.score, w.test().gain(b.bad, b.frames), -h*calm, most, 1.5*h)
	t.judged = true
	if t.score == 0 {
		t.run = batch{}
	} else {
		if t.run.since.IsZero() {
			t.run.since = b.since
		}
		t.run.frames = t.run.frames*forgets + b.frames
		t.run.bad = t.run.bad*forgets + b.bad
	}
	t.frames = t.frames*forgets + b.frames
	t.bad = t.bad*forgets + b.bad
}

// limit is the score from which on a cable is noisy. The more cables there are and the more frames come, the more often
// chance has the opportunity, so it grows with the logarithm of both.
func (w *watch) limit() float64 {
	perMinute := batchTime.Seconds()
	if f := &w.link.quiet.flow; f.seconds > 0 {
		perMinute *= f.frames / f.seconds
	}
	opportunities := float64(len(w.ring.links)) * perMinute / batchTime.Seconds()
	return w.settings.thresholds[noisyScore] + max(math.Log(opportunities), 0)
}

// test returns the test of this link: of the share that means cable against the most that this link may usually have.
func (w *watch) test() binomial {
	th := &w.settings.thresholds
	u := w.usual()
	p1 := min(max(th[noisyShare], th[noisyRatio]*u.share), 0.9)
	p0 := max(w.link.noise.own(u, surely), min(leastUsual, p1/th[noisyRatio]))
	return between(min(p0, p1/apart), p1)
}

// judgeLinkNoisy judges the link's last minute when it is complete. A link that is down is not noisy as well: what is
// known of its noise is forgotten then, since whoever mends a cable mends that too.
func judgeLinkNoisy(w asked, now time.Time) finding {
	l := w.link
	t, q := &l.noise, &l.quiet
	if down := l.watch[linkDown]; down.active() {
		t.forget()
		if w.active() {
			return finding{verdict: Yes, because: down}
		}
		return unknown
	}
	switch {
	case !q.news && l.failing(): // it may be going down
		if q.by != byCounters {
			t.batch, t.ready = batch{}, false // to a flag a silence looks like noise; to counters it is none, and waits
		}
	case t.ready:
		t.close(w.watch)
	}
	h := w.limit()
	switch {
	case t.score >= h:
		return finding{verdict: Yes, since: t.run.since}
	case !fresh(q.at, q.period, now) || !t.judged:
		return unknown
	case t.score <= h*w.settings.thresholds[noisyDeadband]:
		return no
	}
	return unknown
}

// suspect reports whether the cable is noisy, or on the way there with damaged frames so shortly before the silence. Of the
// latter counters alone can tell: to a sampled flag a silence looks like noise.
func (l *link) suspect(shortly time.Duration) bool {
	w, q := l.watch[linkNoisy], &l.quiet
	rising := l.noise.score > w.limit()*w.settings.thresholds[noisyDeadband] && q.since.Sub(q.rough) <= shortly
	return w.active() || q.by == byCounters && rising
}

func tellLinkNoisy(w asked, now time.Time) words {
	l := w.link
	run := l.noise.run
	share, norm := run.bad/max(run.frames, 1), w.usual().share
	what := "frames arrive damaged"
	if l.quiet.by == byFlag {
		what = "samples find the line not heard"
	}
	out := w.saying("%.3g %% of the %s from %s to %s (%.0f of %.0f in %s); usual in this ring is %.2g %%",
		100*share, what, l.from.name, l.to.name, run.bad, run.frames, fleet.Span(now.Sub(run.since)), 100*norm)
	out.figure("share", share, fleet.Ratio)
	out.figure("usual", norm, fleet.Ratio)
	out.figure("bad", run.bad, fleet.Plain)
	out.figure("frames", run.frames, fleet.Plain)
	out.advice = fmt.Sprintf("Check the cable from the out jack of %s to the in jack of %s: reseat both plugs, look for a crushed or wet place and for power leads beside it; then swap it for another one and see whether the noise moves with it.",
		l.from.name, l.to.name)
	return out
}
