package alerts

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"ringwarden/fleet"
)

// A gauge is the newest reading of something.
type gauge struct {
	value  float64
	at     time.Time
	period time.Duration
}

func (g *gauge) see(r *reading) { g.value, g.at, g.period = r.value.Number, r.at, r.period }

func (g *gauge) fresh(now time.Time) bool { return fresh(g.at, g.period, now) }

// bank is what a ring's controllers say of the battery that they share, as of the last slow look.
type bank struct {
	sorted []float64 // V: the terminals of every controller with a fresh reading, lowest first
}

// prepareBank gathers the voltages, and from them what is learned of each controller's leads.
func (r *ring) prepareBank(now time.Time) {
	r.bank.sorted = r.bank.sorted[:0]
	var newest time.Time
	for _, u := range r.units {
		newest = latest(newest, u.voltage.at)
	}
	// What missed the newest poll says nothing beside what did not: the bank may have moved since.
	present := func(u *unit) bool {
		return u.voltage.fresh(now) && !u.presence.stands() && newest.Sub(u.voltage.at) < u.voltage.period
	}
	for _, u := range r.units {
		if present(u) {
			r.bank.sorted = append(r.bank.sorted, u.voltage.value)
		}
	}
	slices.Sort(r.bank.sorted)
	middle, ok := r.bank.middle()
	for _, u := range r.units {
		if ok {
			u.constant.bank.see(middle)
		}
		others, ok := r.bank.others(u.voltage.value)
		if !ok || !present(u) {
			continue
		}
		u.apart.see(u.voltage.value-others, u.voltage.at)
		if u.amperes.fresh(now) && u.voltage.at.Equal(u.amperes.at) {
			u.lead.see(u.amperes.value, u.voltage.value-others, others, u.voltage.at)
		}
	}
}

// apartTrack is by how much a controller's voltage was off from its peers' at its newest readings. Controllers are not asked
// at the very same instant: a load that comes between two of them sets one reading apart, which says nothing.
type apartTrack struct {
	volts [5]float64 // the newest last
	seen  int
	step  float64 // V, in which the readings come
	at    time.Time
}

func (t *apartTrack) see(volts float64, at time.Time) {
	if !at.After(t.at) {
		return
	}
	t.at = at
	copy(t.volts[:], t.volts[1:])
	t.volts[len(t.volts)-1] = volts
	t.seen = min(t.seen+1, len(t.volts))
}

// middle returns the median of the five newest; false: there are fewer than three.
func (t *apartTrack) middle() (volts float64, ok bool) {
	if t.seen < 3 {
		return 0, false
	}
	newest := t.volts
	return median(newest[len(newest)-t.seen:]), true
}

// middle returns the lower median of all; false: there is none.
func (b *bank) middle() (volts float64, ok bool) {
	n := len(b.sorted)
	if n == 0 {
		return 0, false
	}
	return b.sorted[(n-1)/2], true
}

// others returns the median of all readings but one of this value, which must be among them. Of two in the middle it is
// the nearer one, so that of three the one that is off does not make the others seem to be.
func (b *bank) others(own float64) (volts float64, ok bool) {
	p, ok := slices.BinarySearch(b.sorted, own)
	n := len(b.sorted) - 1
	if !ok || n < 1 {
		return 0, false
	}
	at := func(i int) float64 {
		if i >= p {
			i++
		}
		return b.sorted[i]
	}
	low, high := at((n-1)/2), at(n/2)
	if math.Abs(low-own) <= math.Abs(high-own) {
		return low, true
	}
	return high, true
}

// median returns the middle of the values, or the mean of the two in the middle; it orders them.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return stat.Mean(v[n/2-1:n/2+1], nil)
}

// lead reports whether the bank is of lead-acid cells.
func lead(c fleet.Chemistry) bool { return c == fleet.FloodedLead || c == fleet.SealedLead }

// cells returns how many cells the bank has in series; 0: unknown.
func cells(b *fleet.Bank) int {
	switch {
	case b.Cells > 0:
		return b.Cells
	case lead(b.Chemistry):
		return int(math.Round(b.Nominal / 2))
	case b.Chemistry == fleet.Lithium:
		return int(math.Round(b.Nominal / 3.2))
	}
	return 0
}

const cautionBattery = "A battery that is too full, too empty, too hot or too cold can give off gas, be damaged, or catch fire: do not touch posts or leads with bare metal, " +
	"keep flame and spark away, ventilate. Follow local code and the battery's own manual; leave work on it to " +
	"licensed practice; this program is advice, not a protective device."
