package alerts

import (
	"fmt"
	"slices"
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
					Why: "natural logarithm of a likelihood ratio: a healthy cable starts such a run with a chance of about exp(-14), one in a million (Wald 1947; the limits on each minute's gain make it a little more)",
				},
				noisyBatches: {
					Name: "batches", Unit: fleet.Plain, Default: 3, Min: 1, Max: 60,
					Why: "minutes that must have been bad, so that one burst is no trend",
				},
				noisyDeadband: {
					Name: "deadband", Unit: fleet.Ratio, Default: 0.25, Min: 0, Max: 1,
					Why: "share of the score at which the alarm returns",
				},
			},
		},
		judge: judgeLinkNoisy,
		tell:  tellLinkNoisy,
		adopt: func(w *watch) { w.link.noise.score = max(w.link.noise.score, w.settings.thresholds[noisyScore]) },
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
	t.batch, t.run = batch{}, batch{}
	t.ready, t.judged, t.score = false, false, 0
}

const (
	forgets    = 0.999 // of a link's past stays at each batch
	priorBad   = 1.0   // a link of which little is known counts as one with 1 bad frame in 200
	priorCount = 200.0
	leastUsual = 0.0125 // the test never asks for more than four times less than the share that it looks for
	calm       = 1.0 / 15
)

// close judges the batch and begins the next one.
func (t *noiseTrack) close(w *watch, norm float64) {
	b := t.batch
	t.batch, t.ready = batch{}, false
	if b.frames == 0 {
		return
	}
	h := w.settings.thresholds[noisyScore]
	t.score = step(t.score, w.test(norm).gain(b.bad, b.frames), -h*calm, h/w.settings.thresholds[noisyBatches], 1.5*h)
	t.judged = true
	if t.score == 0 {
		t.run = batch{}
	} else {
		if t.run.since.IsZero() {
			t.run.since = b.since
		}
		t.run.frames += b.frames
		t.run.bad += b.bad
	}
	t.frames = t.frames*forgets + b.frames
	t.bad = t.bad*forgets + b.bad
}

// test returns the test of this link, given what is usual in its ring.
func (w *watch) test(norm float64) binomial {
	th := &w.settings.thresholds
	p1 := min(max(th[noisyShare], th[noisyRatio]*norm), 0.9)
	p0 := max(norm, min(leastUsual, p1/th[noisyRatio]))
	return between(p0, p1)
}

// prepareNorms learns what is usual in the ring: the lower median of its links' shares, so that one bad cable, even one
// of two, does not make itself usual.
func (r *ring) prepareNorms(now time.Time) {
	if len(r.links) == 0 || !r.normsAt.IsZero() && now.Sub(r.normsAt) < batchTime {
		return
	}
	r.normsAt = now
	var shares [evidenceCount][]float64
	var intervals []time.Duration
	for _, l := range r.links {
		t := &l.noise
		by := l.quiet.by
		shares[by] = append(shares[by], (t.bad+priorBad)/(t.frames+priorCount))
		if i := l.quiet.flow.interval(); i > 0 && by == byCounters {
			intervals = append(intervals, i)
		}
	}
	for by := range shares {
		if s := shares[by]; len(s) > 0 {
			slices.Sort(s)
			r.norms[by] = s[(len(s)-1)/2]
		}
	}
	if len(intervals) > 0 {
		slices.Sort(intervals)
		r.interval = intervals[len(intervals)/2]
	}
}

func (w *watch) norm() float64 {
	return min(w.ring.norms[w.link.quiet.by], w.settings.thresholds[noisyUsual])
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
	case !q.news && q.misses >= q.least(): // it may be going down
		t.batch, t.ready = batch{}, false
	case t.ready:
		t.close(w.watch, w.norm())
	}
	h := w.settings.thresholds[noisyScore]
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

// suspect reports whether the cable is noisy, or on the way there. Of the latter counters alone can tell: to a sampled
// flag a silence looks like noise.
func (l *link) suspect() bool {
	w := l.watch[linkNoisy]
	return w.active() || l.quiet.by == byCounters && l.noise.score > w.settings.thresholds[noisyScore]*w.settings.thresholds[noisyDeadband]
}

func tellLinkNoisy(w asked, now time.Time) words {
	l := w.link
	run := l.noise.run
	share, norm := run.bad/max(run.frames, 1), w.norm()
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
