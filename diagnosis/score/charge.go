package score

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// A plantWorld is a plant as it stands at an instant.
type plantWorld struct {
	p        *Plant
	units    []charger
	bank     bankState
	sky      sky
	load     float64       // share of the usual, as it wanders
	flat     float64       // share of the charge at which the loads are cut off
	heavy    float64       // how many times the usual load it is
	equalize time.Duration // when it is due
	equalTo  time.Duration // until then whoever ends an absorption equalizes
}

// A charger is a unit with its source.
type charger struct {
	Source
	targets  Targets
	address  int
	trips    bool
	power    float64 // W that it takes from its source at most
	could    float64 // W that its source could give
	amperes  float64
	limit    float64 // V at its true terminals that it does not exceed
	timer    time.Duration
	absorbed time.Duration // in this charge
	equal    time.Duration // since it began to equalize
	limited  time.Duration // since when it has held its target; negative: it has not
	dark     time.Duration // since its source gave something
}

func newPlantWorld(w *world) *plantWorld {
	p := w.s.Plant
	pw := &plantWorld{p: p, load: 1, flat: 0.4, heavy: 1, bank: bankState{charge: 0.6 + 0.35*w.rng.Float64()}}
	pw.sky.cloud = 1
	for i, s := range p.Sources {
		pw.units = append(pw.units, charger{Source: s, targets: p.Targets, address: i + 1, trips: !s.Kind.Turns(), timer: p.Timer})
	}
	pw.equalize = w.spread(30 * 24 * time.Hour)
	return pw
}

// dawn plans a day of a plant: the weather, and who restarts.
func (p *plantWorld) dawn(w *world, day int) {
	p.sky.dawn(w)
	for i := range p.units {
		if w.s.Reboots && w.rng.IntN(20) == 0 {
			w.plan(event{at: w.now + w.spread(w.s.Day), what: reboots, unit: i})
		}
	}
	w.plan(event{at: w.now + w.s.Day, what: dawns, day: day + 1})
}

// step lets some time go by: sun, loads, currents, and what each unit makes of them.
func (p *plantWorld) step(w *world, d time.Duration) {
	hour := math.Mod(float64(beginning.Hour())+w.now.Hours(), 24)
	for range max(1, int(d/time.Minute)) {
		p.sky.drift(w)
	}
	for i := range p.units {
		u := &p.units[i]
		u.could = p.sky.power(&u.Source, hour)
		if i == p.sky.snowed && u.Kind == fleet.PV {
			u.could *= 0.3
		}
		p.limit(w, i)
	}
	if p.bank.hot > 0 {
		p.bank.hot = min(58-p.p.Room, p.bank.hot+12*d.Hours())
	}
	p.settle(p.demand(w, hour))
	p.bank.fill(p.p, d)
	for i := range p.units {
		p.decide(w, i, d)
	}
}

// demand returns the load, in W. It is largest in the evening and comes in steps.
func (p *plantWorld) demand(w *world, hour float64) float64 {
	if w.rng.IntN(10) == 0 {
		p.load = 0.4 + 1.2*w.rng.Float64()*w.rng.Float64()*2
	}
	if p.bank.charge < p.flat {
		return 0.02 * p.p.Load
	}
	day := 0.8
	if hour > 17 && hour < 22 {
		day = 1.7
	}
	return p.p.Load * p.heavy * day * p.load
}

// target returns what a unit in a stage charges to, at the temperature that it has heard of.
func (p *plantWorld) target(u *charger, s fleet.Stage, heat float64) float64 {
	v := u.targets.Absorption
	switch s {
	case fleet.Float:
		v = u.targets.Float
	case fleet.Equalize:
		v = u.targets.Equalize
	}
	return v + u.targets.Slope*float64(p.p.Cells)*(heat-25)
}

func charges(s fleet.Stage) bool { return s >= fleet.Bulk && s <= fleet.Equalize }

// limit sets up to which true voltage a unit charges: its meter may be off.
func (p *plantWorld) limit(w *world, i int) {
	u, ring := &p.units[i], &w.units[i]
	u.limit = p.target(u, ring.stage, ring.heard) / (1 + u.Off)
	u.power = u.could
	if ring.dead || w.now < ring.down || !charges(ring.stage) {
		u.power, u.absorbed = 0, 0
	}
}

// decide moves a unit from stage to stage, by its own terminals and its own timers.
func (p *plantWorld) decide(w *world, i int, d time.Duration) {
	u, ring := &p.units[i], &w.units[i]
	if u.dark += d; u.could > 0.01*u.Rated {
		u.dark = 0
	}
	switch {
	case w.stopped(ring):
		return
	case !ring.awake && u.dark == 0:
		w.happen(&event{what: wakes, unit: i})
		u.limited, u.absorbed = 0, 0
	case ring.awake && u.dark > 10*time.Minute:
		w.happen(&event{what: sleeps, unit: i})
	}
	v := p.bank.volts + u.amperes*u.Lead
	if v >= u.limit-0.02 {
		u.limited = max(u.limited, 0) + d
	} else {
		u.limited = min(u.limited, 0) - d
	}
	p.progress(w, i, d)
}

func (p *plantWorld) progress(w *world, i int, d time.Duration) {
	u, ring := &p.units[i], &w.units[i]
	if ring.stage != fleet.Equalize {
		u.equal = 0
	}
	switch ring.stage {
	case fleet.Bulk:
		if u.absorbed > 0 {
			u.absorbed += d // the timer runs on
		}
		if u.limited > 2*time.Minute {
			w.enter(ring, fleet.Absorption)
		} else if u.Kind.Turns() && u.limited < -2*time.Hour {
			u.absorbed = 0 // others begin anew each morning
		}
	case fleet.Absorption:
		if u.absorbed += d; u.absorbed >= u.timer {
			u.absorbed = 0
			p.end(w, i)
		} else if u.limited < -5*time.Minute {
			w.enter(ring, fleet.Bulk)
		}
	case fleet.Float:
		u.absorbed = 0
		if u.limited < -time.Hour && p.bank.charge < 0.85 {
			w.enter(ring, fleet.Bulk)
		}
	case fleet.Equalize:
		if u.equal += d; u.equal > 2*time.Hour {
			w.start(i, fleet.Float)
		}
	}
}

// end lets a unit end its absorption, and the ring's with it.
func (p *plantWorld) end(w *world, i int) {
	if w.s.Fault == TimerNought && w.shown == 0 && i == w.s.Unit && w.now >= w.s.At {
		w.shown = w.now
	}
	w.start(i, p.next(w))
}

// next returns what follows an absorption: an equalize, once in a month, where the cells are flooded.
func (p *plantWorld) next(w *world) fleet.Stage {
	if p.p.Chemistry == fleet.FloodedLead && w.now > p.equalize {
		p.equalize, p.equalTo = w.now+30*24*time.Hour, w.now+time.Hour
	}
	if w.now < p.equalTo {
		return fleet.Equalize
	}
	return fleet.Float
}

// breakDown lets a plant's fault begin.
func (p *plantWorld) breakDown(w *world) {
	u, rng := &p.units[w.s.Unit], w.rng
	w.shown = w.now
	switch w.s.Fault {
	case LooseLead:
		u.Lead += 0.02 + 0.04*rng.Float64()
	case MeterOff:
		u.Off = pick(rng, -1.0, 1) * (0.025 + 0.035*rng.Float64())
	case SourceBehind:
		u.Gives *= 0.15 + 0.3*rng.Float64()
	case SettingChanged:
		p.missetting(w, u)
	case SameAddress:
		u.address = p.units[(w.s.Unit+1)%len(p.units)].address
	case HotBank:
		p.bank.hot = 1
	case Overdrawn:
		p.heavy, p.flat = 8, 0
	case NeverFull:
		p.heavy = 6
	case TimerEndless:
		for i := range p.units {
			p.units[i].timer = 1000 * time.Hour
		}
	case TimerNought:
		u.timer, w.shown = time.Minute, 0 // until it ends an absorption
	}
}

// missetting changes a setting as a slip of somebody's finger would.
func (p *plantWorld) missetting(w *world, u *charger) {
	by := pick(w.rng, -1.0, 1) * (0.2 + float64(p.p.Cells)*(0.03+0.05*w.rng.Float64()))
	switch w.rng.IntN(4) {
	case 0:
		u.targets.Absorption += by
	case 1:
		u.targets.Float += by
	case 2:
		u.targets.Slope += pick(w.rng, 0.001, -0.001, 0.002)
	default:
		u.trips = !u.trips
	}
}
