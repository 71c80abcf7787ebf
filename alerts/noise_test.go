package alerts

import (
	"math/rand/v2"
	"testing"
	"time"

	"ringwarden/fleet"
)

// badOf draws how many of n frames are bad.
func badOf(r *rand.Rand, n int, share float64) (bad float64) {
	for range n {
		if r.Float64() < share {
			bad++
		}
	}
	return bad
}

// A link that damages one frame in twenty, and four times as many as its ring does, is found within a quarter of an
// hour at one frame a second in at least 95 of 100 cases; and in three weeks none of eight healthy cables is suspected, at
// up to three bad frames in a hundred. The draws are seeded; the figures are this program's own aim.
func TestNoiseIsFoundAndHealthIsNot(t *testing.T) {
	const minutes, trials = 21 * 24 * 60, 400
	for _, usual := range []float64{0.001, 0.01, 0.03} {
		r := rand.New(rand.NewPCG(7, 11))
		e := New(ringOf(8))
		ring := e.sites[0].rings[0]
		now, alarms := noon, 0
		minute := func(l *link, share float64) Verdict {
			l.quiet = quietTrack{by: byCounters, at: now, period: time.Minute, news: true}
			l.noise.batch, l.noise.ready = batch{since: now.Add(-time.Minute), frames: 60, bad: badOf(r, 60, share)}, true
			return judgeLinkNoisy(asked{l.watch[linkNoisy]}, now).verdict
		}
		for range minutes {
			now = now.Add(time.Minute)
			ring.prepareUsual(now)
			for _, l := range ring.links {
				before := l.noise.score
				if h := l.watch[linkNoisy].limit(); minute(l, usual) == Yes && before < h {
					alarms++
				}
			}
		}
		if alarms > 0 {
			t.Errorf("usual share %g: %d of 8 healthy cables suspected in three weeks, want none", usual, alarms)
		}
		found := 0
		for range trials {
			l := ring.links[3]
			past := l.noise
			l.noise.score = 0
			for range 15 {
				if minute(l, max(0.05, 4*usual)) == Yes {
					found++
					break
				}
			}
			l.noise = past
		}
		if share := float64(found) / trials; share < 0.95 {
			t.Errorf("usual share %g: found in 15 minutes in %.3f of cases, want 0.95", usual, share)
		} else {
			t.Logf("usual share %g: learned %.4f, found in 15 minutes in %.3f of cases", usual, ring.usual[byCounters].share, share)
		}
	}
}

// ringOf is a fleet of one ring.
func ringOf(n int) *fleet.Fleet {
	f := pair()
	r := &f.Sites[0].Rings[0]
	r.Controllers = nil
	for i := range n {
		r.Controllers = append(r.Controllers, fleet.Controller{ID: fleet.ControllerID("mill/north/" + string(rune('a'+i)))})
	}
	return f
}
