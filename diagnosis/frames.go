package diagnosis

import "math"

// What counted frames say. The share of bad frames on a good cable is near what is usual in its ring, and wanders as the
// others' do: so batches are beta-binomial. Now and then a batch of any cable has a flurry; a cable that fails now and then
// has bursts in many. In a batch with a flurry or a burst any share may be bad.

// A tone is a share of bad frames with how much it wanders and how likely it was before.
type tone struct{ share, wanders, weight float64 }

// flurry is what a batch may have in which a sound cable had a flurry (common practice, no source).
var flurry = tone{0.1, 3, 1}

// badTones are what a cable may have that is noisy or dead.
func badTones(p place, n *norm) []tone {
	if p == cableDead {
		return []tone{{0.995, 200, 1}}
	}
	var tones []tone
	for _, share := range []float64{0.04, 0.07, 0.12, 0.2, 0.35, 0.6} {
		if share >= 2.5*n.usual {
			tones = append(tones, tone{share, min(n.wanders, noisyWanders), 1})
		}
	}
	for i := range tones {
		tones[i].weight /= float64(len(tones))
	}
	return tones
}

// noisyWanders: what is noisy is hardly so steadily (common practice, no source).
const noisyWanders = 60

// A bursting is how a cable fails now and then: how many of its batches have a burst, and what is spoilt in those. Between
// the bursts it is as good as ever.
type bursting struct {
	often, share, wanders float64
}

// burstings are the ways in which a cable may fail seldom, so that it loses few messages, or often (common practice, no
// source).
var burstings = map[place][]bursting{
	cableSeldom: {{0.04, 0.1, 3}, {0.04, 0.4, 2}, {0.15, 0.1, 3}, {0.15, 0.4, 2}, {0.5, 0.1, 3}, {0.8, 0.06, 4}},
	cableAtWill: {{0.5, 0.4, 2}, {0.8, 0.25, 3}, {0.8, 0.6, 2}},
}

// logs returns the logarithm of the beta-binomial likelihood of x bad ones of n as a function, without the term that all
// tones share.
func (t *tone) logs() func(x, n float64) float64 {
	a, b := t.share*t.wanders, (1-t.share)*t.wanders
	whole := lgamma(a+b) - lgamma(a) - lgamma(b)
	return func(x, n float64) float64 {
		if n == 0 {
			return 0
		}
		return lgamma(x+a) + lgamma(n-x+b) - lgamma(n+a+b) + whole
	}
}

func lgamma(x float64) float64 {
	l, _ := math.Lgamma(x)
	return l
}

// spoilt returns how many frames of a batch were bad or did not come, and how many there should have been.
func (b *batch) spoilt() (x, n float64) { return b.bad + b.absent, b.good + b.bad + b.absent }

// A census lists the different batches of a ring's cables, so that each is weighed once: bad ones, and all.
type census struct {
	kinds [][2]float64
	index map[[2]float64]int
}

func (r *Ring) census() *census {
	c := &census{index: map[[2]float64]int{}}
	for u := range r.units {
		for i := range r.units[u].wire.batches {
			x, n := r.units[u].wire.batches[i].spoilt()
			kind := [2]float64{x, n}
			if _, ok := c.index[kind]; !ok {
				c.index[kind] = len(c.kinds)
				c.kinds = append(c.kinds, kind)
			}
		}
	}
	return c
}

// of returns the kinds of the batches of a wire, all of which the ring has.
func (c *census) of(w *wire) []int {
	kinds := make([]int, len(w.batches))
	for i := range w.batches {
		x, n := w.batches[i].spoilt()
		kinds[i] = c.index[[2]float64{x, n}]
	}
	return kinds
}

// row returns the log-likelihood of each kind of batch with a tone.
func (c *census) row(t tone) []float64 {
	log := t.logs()
	row := make([]float64, len(c.kinds))
	for i, k := range c.kinds {
		row[i] = log(k[0], k[1])
	}
	return row
}

// mixed returns the log-likelihood of each kind of batch where it has a burst with a chance.
func mixed(row, burst []float64, often float64) []float64 {
	none, some := math.Log(1-often), math.Log(often)
	m := make([]float64, len(row))
	for i := range row {
		m[i] = logAdd(row[i]+none, burst[i]+some)
	}
	return m
}

// A scale weighs the counts of a ring's cables. Its rows are log-likelihoods of each kind of batch.
type scale struct {
	*census
	norm   *norm
	good   [][]float64               // for each sound tone
	tones  [placeCount][]tone        // of a cable that is steadily bad
	steady [placeCount][][]float64   // for each of those
	bursts [placeCount][][][]float64 // for each sound tone, which the cable has between the bursts, and each way of failing
}

// scale prepares the weighing of what was counted.
func (r *Ring) scale() *scale {
	s := &scale{census: r.census(), norm: r.norm()}
	sound, flurries := make([][]float64, len(s.norm.good)), s.row(flurry)
	for k, t := range s.norm.good {
		sound[k] = s.row(t)
		s.good = append(s.good, mixed(sound[k], flurries, s.norm.flurries))
	}
	for _, c := range cableWays {
		ways := burstings[c.place]
		if ways == nil {
			s.tones[c.place] = badTones(c.place, s.norm)
			for _, t := range s.tones[c.place] {
				s.steady[c.place] = append(s.steady[c.place], mixed(s.row(t), flurries, s.norm.flurries))
			}
			continue
		}
		s.bursts[c.place] = make([][][]float64, len(sound))
		for _, b := range ways {
			burst := s.row(tone{b.share, b.wanders, 1})
			for k := range sound {
				s.bursts[c.place][k] = append(s.bursts[c.place][k], mixed(sound[k], burst, b.often))
			}
		}
	}
	return s
}

// tails writes the sums of a row over a cable's batches, from each batch on; the last is nought.
func tails(sums, row []float64, batches []int) []float64 {
	sums[len(batches)] = 0
	for i := len(batches) - 1; i >= 0; i-- {
		sums[i] = sums[i+1] + row[batches[i]]
	}
	return sums
}

// A verdict on a cable's counts: for each way in which it may be bad, and each batch from which on, the logarithm of the
// likelihood against its being good all along. The last is of none.
type verdict [placeCount][]float64

// judge weighs what was counted on a cable.
func (s *scale) judge(w *wire) *verdict {
	v := &verdict{}
	batches := s.of(w)
	if len(batches) == 0 {
		return v
	}
	n := len(batches) + 1
	sums := make([]float64, n)
	before := make([][]float64, len(s.good)) // of the counts up to a batch, for each sound tone
	sound := noughts(n)                      // the same, whichever the tone
	for k, row := range s.good {
		before[k] = make([]float64, n)
		tails(sums, row, batches)
		for from := range sums {
			before[k][from] = math.Log(s.norm.good[k].weight) + sums[0] - sums[from]
			sound[from] = logAdd(sound[from], before[k][from])
		}
	}
	for _, c := range cableWays {
		gains := noughts(n)
		for j, row := range s.steady[c.place] {
			addOn(gains, sound, tails(sums, row, batches), math.Log(s.tones[c.place][j].weight))
		}
		for k, ways := range s.bursts[c.place] {
			for _, row := range ways {
				addOn(gains, before[k], tails(sums, row, batches), -math.Log(float64(len(ways))))
			}
		}
		for from := range gains {
			gains[from] -= sound[n-1]
		}
		v[c.place] = gains
	}
	return v
}

// soundness returns the logarithm of the likelihood of what was counted on a good cable.
func (s *scale) soundness(w *wire) float64 {
	batches, sum := s.of(w), math.Inf(-1)
	for k, row := range s.good {
		l := math.Log(s.norm.good[k].weight)
		for _, b := range batches {
			l += row[b]
		}
		sum = logAdd(sum, l)
	}
	return sum
}

// addOn adds likelihoods, given by their logarithms, to others: what was before a batch with what is after it.
func addOn(sums, before, after []float64, weight float64) {
	for i := range sums {
		sums[i] = logAdd(sums[i], before[i]+after[i]+weight)
	}
}

// noughts returns logarithms of nought.
func noughts(n int) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = math.Inf(-1)
	}
	return xs
}

// logAdd returns the logarithm of the sum of two numbers that are given by theirs.
func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if !(a-b < 40) {
		return a // the other is too small to be seen
	}
	return a + math.Log(1+math.Exp(b-a))
}
