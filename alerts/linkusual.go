package alerts

import (
	"math"
	"slices"
	"time"
)

// A usual is what share of bad frames, or samples, the cables of a ring usually have.
type usual struct {
	share float64
	most  float64 // what a healthy cable of the ring may have
}

const (
	priorBad   = 1.0 // a ring of which little is known counts as one with 1 bad frame in 200
	priorCount = 200.0
	spread     = 0.3 // standard deviation of the shares of a ring's healthy cables, relative to their mean (common practice, no source)
	healthy    = 1.6 // times what is usual: what a healthy cable may have
	surely     = 3.0 // standard deviations that are allowed for what is not known well
)

// prepareUsual learns what is usual in the ring, from all its cables but the worst quarter, and but one at least: so that
// a few bad cables, even one of two, do not make themselves usual.
func (r *ring) prepareUsual(now time.Time) {
	if len(r.links) == 0 || !r.usualAt.IsZero() && now.Sub(r.usualAt) < batchTime {
		return
	}
	r.usualAt = now
	var tracks [evidenceCount][]*noiseTrack
	var intervals []time.Duration
	for _, l := range r.links {
		by := l.quiet.by
		tracks[by] = append(tracks[by], &l.noise)
		if i := l.quiet.flow.interval(); i > 0 && by == byCounters {
			intervals = append(intervals, i)
		}
	}
	for by := range tracks {
		if len(tracks[by]) > 0 {
			r.usual[by] = usualOf(tracks[by])
		}
	}
	r.flags = shareOf(tracks[byFlag])
	if len(intervals) > 0 {
		slices.Sort(intervals)
		r.interval = intervals[len(intervals)/2]
	}
}

// shareOf returns the share of bad frames of all cables together. While few bad ones have come the better cables are the
// lucky ones, and it is from all that one has to learn how often bad frames come in a row. A cable that is bad counts no more
// than mostShare.
func shareOf(all []*noiseTrack) float64 {
	const mostShare = 0.03
	frames, bad := priorCount, priorBad
	for _, t := range all {
		frames += t.frames
		bad += min(t.bad, 2+mostShare*t.frames)
	}
	return bad / frames
}

// usualOf sorts the cables by their shares, and pools the better ones.
func usualOf(all []*noiseTrack) usual {
	slices.SortFunc(all, func(a, b *noiseTrack) int {
		switch d := a.bad/(a.frames+priorCount) - b.bad/(b.frames+priorCount); {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	better := max(1, len(all)-(len(all)+3)/4)
	frames, bad := priorCount, priorBad
	for _, t := range all[:better] {
		frames += t.frames
		bad += t.bad
	}
	share := bad / frames
	return usual{share, share * healthy * (1 + surely*math.Sqrt(1/bad+spread*spread/float64(better)))}
}

// usual returns what is usual in the link's ring, but no more than can be called so.
func (w *watch) usual() usual {
	limit := w.settings.thresholds[noisyUsual]
	u := w.ring.usual[w.link.quiet.by]
	return usual{min(u.share, limit), min(u.most, healthy*limit)}
}

// own returns the most that this cable may usually have: what it had before the score began to rise, with what its ring
// has as if that were known from eight bad frames, and so many standard deviations. But never more than a healthy cable of
// the ring may have, so that a cable that was bad from the beginning is not taken for usual.
func (t *noiseTrack) own(u usual, deviations float64) float64 {
	const known = 8
	frames := max(t.frames-t.run.frames, 0) + known/u.share
	share := (max(t.bad-t.run.bad, 0) + known) / frames
	return min(share+deviations*math.Sqrt(share/frames), u.most)
}
