package diagnosis

import "math"

// The way of a message round the ring is a chain: between two units there either is a message or not. For each unit a
// matrix says how likely what was seen of it is, given whether a message left its upstream neighbour, and whether one
// leaves it. Their product round the ring is how likely the whole event is; a hypothesis changes one matrix.

// A matrix holds, for [upstream][here], a likelihood; all are to be multiplied by exp(log).
type matrix struct {
	a   [2][2]float64
	log float64
}

var identity = matrix{a: [2][2]float64{{1, 0}, {0, 1}}}

func (m matrix) times(o matrix) matrix {
	var p matrix
	largest := 0.0
	for x := range 2 {
		for y := range 2 {
			p.a[x][y] = m.a[x][0]*o.a[0][y] + m.a[x][1]*o.a[1][y]
			largest = max(largest, p.a[x][y])
		}
	}
	p.log = m.log + o.log
	if largest > 0 && largest < 1e-100 {
		for x := range 2 {
			for y := range 2 {
				p.a[x][y] /= largest
			}
		}
		p.log += math.Log(largest)
	}
	return p
}

func (m matrix) trace() float64 { return m.a[0][0] + m.a[1][1] }

// Likelihoods of what a unit does (common practice, no source; the score bench holds the probabilities that come of them
// against the truth). A sound unit or cable fails a message so seldom since messages are repeated: even in a ring of a
// hundred about one call in ten meets with that.
const (
	deaf       = 0.0007 // it hears a call and does not follow
	deafer     = 0.0003 // it hears a trip or a temperature and does not heed it
	heedless   = 0.99   // a unit that is set to stay on, or fails to stop, stays on at a trip
	leaks      = 0.003  // a message passes a cable that is called dead: it died a moment later
	lost       = 0.0007 // a good cable loses a message for good
	lostNoisy  = 0.03   // a noisy one does
	lostSeldom = 0.05   // one that fails seldom does
	lostAtWill = 0.4    // one that fails often does
	stale      = 0.02   // it seems to hear the reference and does not
)

// A place is a unit's or its cable's part in a hypothesis.
type place uint8

const (
	sound place = iota
	cableNoisy
	cableSeldom
	cableAtWill
	cableDead
	unitApart
	unitHeedless
	unitDead
	placeCount
)

// loss is the chance that the cable into the unit loses a message.
func (p place) loss() float64 {
	switch p {
	case cableNoisy:
		return lostNoisy
	case cableSeldom:
		return lostSeldom
	case cableAtWill:
		return lostAtWill
	case cableDead:
		return 1 - leaks
	}
	return lost
}

// ofUnit reports whether a unit is to blame, and no cable.
func (p place) ofUnit() bool { return p == unitApart || p == unitHeedless || p == unitDead }

// A sighting is what was seen of one unit in an event.
type sighting struct {
	part  Part
	early bool    // it certainly went before its upstream neighbour
	late  bool    // it certainly went later than the neighbour's message takes
	start float64 // chance that it sends such a message on its own in that time
	deaf  float64 // chance that it hears such a message and does not act on it
	trip  bool    // the message was a shared trip
	away  bool    // it did not answer
	// source: it is known to have sent the message
	source bool
	wired  bool // there is a cable into it
}

// matrices returns the unit's matrix, and the same without the ways in which a message begins here.
func (s *sighting) matrices(p place) (with, without matrix) {
	if s.source {
		if p == unitApart || p == unitDead {
			return matrix{a: [2][2]float64{{1, 0}, {1, 0}}}, matrix{} // it keeps what it has for itself
		}
		return matrix{a: [2][2]float64{{0, 1}, {0, 1}}}, matrix{}
	}
	for x := range 2 {
		hears, deaf := 0.0, s.deaf
		if p == unitHeedless && s.trip {
			deaf = heedless
		}
		if x == 1 && s.wired {
			hears = 1 - p.loss()
		}
		var w, o [2]float64
		switch {
		case p == unitDead:
			w[0] = 1
			if s.part == Followed || s.part == Remained && !s.away {
				w[0] = 0.001
			}
			o = w
		case p == unitApart:
			w, o = s.apart(hears)
		case s.part == Followed:
			told, own := 1-deaf, s.start // it was told, or began before the message came round
			if s.early || s.late {
				told = 0
			}
			w[1] = hears*(told+own) + (1-hears)*own
			o[1] = hears * told
		case s.part == Remained:
			w[1], w[0] = hears*deaf, (1-hears)*(1-s.start)
			o = w
		default:
			begins := 0.0001
			if s.away {
				begins = s.start
			}
			w[1], w[0] = hears+(1-hears)*begins, (1-hears)*(1-begins)
			o[1], o[0] = hears, w[0]
		}
		with.a[x], without.a[x] = w, o
	}
	return with, without
}

// apart is of a unit that takes no part: it hands on what it hears and acts on its own alone.
func (s *sighting) apart(hears float64) (with, without [2]float64) {
	did, own := 1.0, false
	switch s.part {
	case Followed:
		did, own = s.start, true
	case Remained:
		did = 1 - s.start
	}
	with = [2]float64{(1 - hears) * did, hears * did}
	if !own {
		without = with
	}
	return with, without
}

// A chain is an event's sightings in the order of the ring, with the products that every hypothesis needs.
type chain struct {
	before, after         []matrix // products of the units up to, and from, a place
	beforeNone, afterNone []matrix // the same without beginnings
	needsStart            bool     // somebody must have begun it
	plain                 float64  // log-likelihood where all is sound
	logs                  [placeCount][]float64
}

// newChain prepares an event for every hypothesis. given is what is already taken to be wrong, at a unit or the cable into it;
// at below nought: nothing is.
func newChain(seen []sighting, needsStart bool, given place, at int) *chain {
	n := len(seen)
	c := &chain{needsStart: needsStart}
	with, without := make([]matrix, n), make([]matrix, n)
	for i := range n {
		p := sound
		if at == i {
			p = given
		}
		with[i], without[i] = seen[i].matrices(p)
	}
	c.before, c.after = make([]matrix, n+1), make([]matrix, n+1)
	c.beforeNone, c.afterNone = make([]matrix, n+1), make([]matrix, n+1)
	c.before[0], c.beforeNone[0], c.after[n], c.afterNone[n] = identity, identity, identity, identity
	for i := range n {
		c.before[i+1], c.beforeNone[i+1] = c.before[i].times(with[i]), c.beforeNone[i].times(without[i])
	}
	for i := n - 1; i >= 0; i-- {
		c.after[i], c.afterNone[i] = with[i].times(c.after[i+1]), without[i].times(c.afterNone[i+1])
	}
	c.plain = c.log(c.before[n], c.beforeNone[n])
	for p := range c.logs {
		c.logs[p] = make([]float64, n)
		for i := range n {
			w, o := seen[i].matrices(place(p))
			c.logs[p][i] = c.log(c.before[i].times(w).times(c.after[i+1]), c.beforeNone[i].times(o).times(c.afterNone[i+1]))
		}
	}
	return c
}

const impossible = -1e4

// log returns the logarithm of the likelihood: of all ways less those in which nobody began.
func (c *chain) log(with, without matrix) float64 {
	all := with.trace()
	if c.needsStart {
		all -= without.trace() * math.Exp(min(without.log-with.log, 700))
	}
	if !(all > 0) {
		return impossible
	}
	return max(impossible, math.Log(all)+with.log)
}
