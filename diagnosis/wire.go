package diagnosis

import (
	"slices"
	"time"

	"ringwarden/fleet"
)

// A wire is what was counted on the cable into a unit, in batches of equal length.
type wire struct {
	by      evidence
	at      time.Time // newest reading
	good    counter
	bad     counter
	age     float64
	batches []batch
	step    time.Duration // of a batch; it doubles when there are too many
	breaks  []time.Time   // no batch goes across one
	rate    rate
	quiet   float64   // s since a frame came while both ends were there
	counted float64   // frames that are counted as absent since then
	sampled time.Time // newest sample of a flag that counted
	polled  time.Time // newest sample of a flag that an ordinary poll took
	bad1st  time.Time // since when the flag has been bad without a break; zero: it is not
}

// keptBatches bounds a wire's memory: with so many, each two neighbours become one, and batches twice as long.
const keptBatches = 96

// A batch is what came over a cable in a while. With a sampled flag or an age, the samples count as frames.
type batch struct {
	since             time.Time
	good, bad, absent float64 // absent: frames that did not come although both ends were there
	around            around  // sums over the readings
	readings          float64
	lasts             time.Duration // time that the readings are of
}

func (b *batch) add(o *batch) {
	b.lasts += o.lasts
	b.good, b.bad, b.absent = b.good+o.good, b.bad+o.bad, b.absent+o.absent
	for i := range b.around {
		b.around[i] += o.around[i]
	}
	b.readings += o.readings
}

type evidence uint8

const (
	byNothing evidence = iota
	byAge
	byFlag
	byCounters
)

// rate is how many frames come in a second, learned from polls that brought some, older ones weighing less.
type rate struct{ frames, seconds, polls float64 }

func (r *rate) learn(frames, seconds float64) {
	const stays = 0.995
	r.frames, r.seconds, r.polls = r.frames*stays+frames, r.seconds*stays+seconds, r.polls+1
}

// perSecond returns the rate, and nought as long as it is not known.
func (r *rate) perSecond() float64 {
	if r.polls < 5 || r.seconds <= 0 {
		return 0
	}
	return r.frames / r.seconds
}

// take files a frame of the receiver, of a poll group with a period. both says since when both ends of the cable are known to
// have been there.
func (w *wire) take(f *fleet.Frame, both time.Time, period, step time.Duration, pace float64, circumstances around, sticks *stickiness) {
	by := byNothing
	_, hasGood := f.Value(fleet.LinkGood)
	_, hasBad := f.Value(fleet.LinkBad)
	ok, hasFlag := f.Number(fleet.LinkOK)
	age, hasAge := f.Number(fleet.LinkAge)
	switch {
	case hasGood:
		by = byCounters
	case hasFlag:
		by = byFlag
	case hasAge:
		by = byAge
	}
	if by == byNothing || by < w.by {
		return
	}
	if by == byFlag {
		if f.At.After(w.polled) && f.At.Before(w.polled.Add(period)) {
			return // a second look, made because the sample before was bad: it would count such samples twice
		}
		w.polled = f.At
	}
	last := w.at
	first := by > w.by || last.IsZero()
	w.by, w.at = by, f.At
	if w.step == 0 {
		w.step = step
	}
	b := batch{around: circumstances, readings: 1}
	seconds := f.At.Sub(last).Seconds()
	if !first {
		b.lasts = f.At.Sub(last)
	}
	there := !first && !both.After(last)
	switch by {
	case byCounters:
		most := 1000 + 20*w.rate.perSecond()*seconds
		b.good = w.good.step(f, fleet.LinkGood, most)
		if hasBad {
			b.bad = w.bad.step(f, fleet.LinkBad, most)
		}
		if first {
			return
		}
		w.missing(&b, seconds, pace, there)
	case byFlag:
		w.lasts(ok != 0, there, f.At, sticks)
		if !there || f.At.Sub(w.sampled) < sticks.apart {
			break
		}
		if w.sampled = f.At; ok != 0 {
			b.good = 1
		} else {
			b.bad = 1
		}
	case byAge:
		older := age >= w.age+seconds/2 && age > 0
		w.age = age
		if there && older {
			b.absent = 1
		} else if there {
			b.good = 1
		}
	}
	if !first {
		w.file(&b, f.At)
	}
}

// A stickiness is how long one frame keeps a sampled flag as it is. A flag that is asked for more often than frames come says
// the same thing again and again, which is no new evidence.
type stickiness struct {
	runs  []time.Duration // how long the newest bad runs of the ring lasted
	apart time.Duration   // samples that are nearer to each other do not count
}

const (
	keptRuns = 64
	// seldomest is how far apart frames are taken to be at most, until bad runs have shown it (common practice, no source).
	seldomest = 20 * time.Second
)

// learn files a bad run. None lasts shorter than a frame does: so the short ones among them tell how long that is.
func (s *stickiness) learn(d time.Duration) {
	if len(s.runs) == keptRuns {
		s.runs = append(s.runs[:0], s.runs[1:]...)
	}
	s.runs = append(s.runs, d)
	if len(s.runs) < 3 {
		return
	}
	sorted := slices.Clone(s.runs)
	slices.Sort(sorted)
	s.apart = min(seldomest, sorted[len(sorted)/5])
}

// lasts follows how long the flag is bad without a break.
func (w *wire) lasts(ok, there bool, at time.Time, sticks *stickiness) {
	switch {
	case !there:
		w.bad1st = time.Time{}
	case !ok && w.bad1st.IsZero():
		w.bad1st = at
	case ok && !w.bad1st.IsZero():
		sticks.learn(at.Sub(w.bad1st))
		w.bad1st = time.Time{}
	}
}

// surely is how many frames must be due before their absence is more than chance.
const surely = 3

// missing counts the frames that should have come. pace is what is usual in the ring, for a cable of which nothing is
// known yet. What is one short of the mean is chance.
func (w *wire) missing(b *batch, seconds, pace float64, there bool) {
	if !there {
		w.quiet, w.counted = 0, 0
		return
	}
	w.quiet += seconds
	known := w.rate.perSecond()
	if known == 0 {
		known = pace
	}
	came, due := b.good+b.bad, known*w.quiet
	short := due >= surely && came < due/2
	if short {
		b.absent = max(0, due-1-came-w.counted)
	}
	switch {
	case came == 0:
		w.counted += b.absent
		return
	case !short && w.counted == 0:
		w.rate.learn(came, w.quiet)
	}
	w.quiet, w.counted = 0, 0
}

// excuse takes back what was counted as absent since the receiver stood still.
func (w *wire) excuse(since time.Time) {
	w.quiet, w.counted = 0, 0
	for i := len(w.batches) - 1; i >= 0 && w.batches[i].since.Add(w.step).After(since); i-- {
		w.batches[i].absent = 0
	}
}

func (w *wire) file(b *batch, at time.Time) {
	if n := len(w.batches); n > 0 && at.Sub(w.batches[n-1].since) < w.step && !w.broken(w.batches[n-1].since, at.Add(-b.lasts)) {
		w.batches[n-1].add(b)
		return
	}
	if len(w.batches) >= keptBatches {
		w.halve()
	}
	b.since = at
	w.batches = append(w.batches, *b)
}

// halve makes each two neighbours one, unless there is a break between them.
func (w *wire) halve() {
	kept := w.batches[:0]
	for i := 0; i < len(w.batches); i++ {
		b := w.batches[i]
		if i+1 < len(w.batches) && !w.broken(b.since, w.batches[i+1].since) {
			i++
			b.add(&w.batches[i])
		}
		kept = append(kept, b)
	}
	w.batches, w.step = kept, 2*w.step
}

// broken reports whether there is a break after one instant, up to another.
func (w *wire) broken(after, to time.Time) bool {
	return slices.ContainsFunc(w.breaks, func(t time.Time) bool { return t.After(after) && !t.After(to) })
}

// A counter is the last reading of one that grows until it wraps or the device restarts.
type counter struct {
	raw    uint64
	number float64
	seen   bool
}

// step returns by how much the counter grew. A drop is a wrap where the counter's width makes that a plausible growth,
// and otherwise a restart, after which it counts from nought.
func (c *counter) step(f *fleet.Frame, q fleet.Quantity, most float64) float64 {
	v, ok := f.Value(q)
	if !ok {
		return 0
	}
	i, _ := f.Layout.Index(q)
	p := &f.Layout.Points[i]
	last := *c
	*c = counter{v.Raw, v.Number, true}
	switch {
	case !last.seen:
		return 0
	case v.Number >= last.number:
		if grown := v.Number - last.number; grown <= most {
			return grown
		}
		return 0
	case p.Form == fleet.FormUnsigned && p.Bits > 0 && p.Bits <= 64 && p.Div != 0:
		if grown := float64((v.Raw-last.raw)&(^uint64(0)>>(64-p.Bits))) * p.Mul / p.Div; grown <= most {
			return grown
		}
	}
	if v.Number <= most {
		return max(v.Number, 0)
	}
	return 0
}
