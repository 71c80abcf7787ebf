package score

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// A bankState is the battery of a plant and what flows into it.
type bankState struct {
	charge  float64 // share of the capacity
	volts   float64 // at the posts
	amperes float64 // into it
	hot     float64 // °C beyond the room's
}

// rest returns the voltage of a cell that is left alone, and how steeply it rises with the logarithm of the current: gassing
// near the end of a charge of lead-acid, next to nothing before. Both are rough shapes of the usual curves.
func (p *Plant) rest(charge float64) (volts, steep float64) {
	if p.Chemistry == fleet.Lithium {
		return 3.2 + 0.1*charge + 0.25*math.Exp((charge-1)/0.02) - 0.5*math.Exp(-charge/0.03), 0.002
	}
	return 1.9 + 0.23*charge - 0.2*math.Exp(-charge/0.03), 0.012 + 0.07*math.Exp((charge-1)/0.07)
}

// cell returns the voltage of a cell at a current, in parts of the capacity in an hour. A discharge gasses nothing.
func cell(rest, steep, c float64) float64 {
	if c < 0 {
		steep = min(steep, 0.012)
	}
	return rest + 0.35*c + steep*math.Asinh(c/0.003)
}

// settle finds the voltage at which what the units give, less the load, is what the bank takes.
func (w *plantWorld) settle(load float64) {
	n := float64(w.p.Cells)
	rest, steep := w.p.rest(w.bank.charge)
	low, high := 1.4*n, 2.9*n
	if w.p.Chemistry == fleet.Lithium {
		low, high = 2*n, 3.9*n
	}
	for range 24 {
		v := (low + high) / 2
		w.bank.amperes = w.given(v) - load/v
		if v < n*cell(rest, steep, w.bank.amperes/w.p.Capacity) {
			low = v
		} else {
			high = v
		}
	}
	w.bank.volts = (low + high) / 2
}

// given returns the current of all units at a voltage at the posts.
func (w *plantWorld) given(v float64) float64 {
	sum := 0.0
	for i := range w.units {
		u := &w.units[i]
		if u.power == 0 {
			u.amperes = 0
			continue
		}
		u.amperes = u.power / v
		if most := (u.limit - v) / u.Lead; u.amperes > most {
			u.amperes = max(0, most)
		}
		sum += u.amperes
	}
	return sum
}

// fill lets the current flow for a while. What a full bank does not take turns to gas.
func (b *bankState) fill(p *Plant, d time.Duration) {
	taken := b.amperes * d.Hours() / p.Capacity
	if taken > 0 {
		taken *= 0.97 * (1 - math.Exp((b.charge-1)/0.03))
	}
	b.charge = min(1, max(0, b.charge+taken))
}

// A sky is the weather: the sun behind clouds, and the wind.
type sky struct {
	clear  float64 // today, 0 to 1
	broken bool    // clouds come and go
	cloud  float64 // 1: none before the sun
	wind   float64 // m/s, logarithm of, about its mean
	dull   int     // days in a row
	snowed int     // the unit whose array lies under snow today; -1: none
}

// dawn draws the weather of a day. No more than three days in a row are dull.
func (s *sky) dawn(w *world) {
	r := w.rng.Float64()
	s.dull++
	s.snowed = -1
	switch {
	case r < 0.15 && s.dull <= 3:
		s.clear, s.broken = 0.08+0.15*w.rng.Float64(), false
		return
	case r < 0.5:
		s.clear, s.broken = 0.6+0.3*w.rng.Float64(), true
	default:
		s.clear, s.broken = 0.85+0.15*w.rng.Float64(), w.rng.IntN(4) == 0
	}
	if s.dull > 1 && w.rng.IntN(6) == 0 {
		s.snowed = w.rng.IntN(len(w.units))
	}
	s.dull = 0
}

// drift moves clouds and wind on by a minute or so.
func (s *sky) drift(w *world) {
	if w.rng.Float64() < 0.12 {
		s.cloud = 1
		if s.broken && w.rng.IntN(2) == 0 {
			s.cloud = 0.2 + 0.4*w.rng.Float64()
		}
	}
	s.wind += -0.004*s.wind + 0.05*w.rng.NormFloat64()
}

// power returns what a source could give at an hour of the day.
func (s *sky) power(src *Source, hour float64) float64 {
	share := 0.0
	switch src.Kind {
	case fleet.Hydro:
		share = 0.7
	case fleet.Wind:
		v := 5.5 * math.Exp(s.wind) / 11
		if share = min(1, v*v*v); v < 0.25 {
			share = 0
		}
	default:
		if h := math.Sin(math.Pi * (hour - src.Lag/2 - 6) / 12); h > 0 && hour > 5 && hour < 20 {
			share = math.Pow(h, 1.3) * s.clear * s.cloud
		}
	}
	return share * src.Rated * src.Gives
}
