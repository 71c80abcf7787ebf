package score

import (
	"container/heap"
	"math"
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
)

// A world is the ring of a story as it stands at an instant after the story's beginning.
type world struct {
	s     *Story
	rng   *rand.Rand
	apart *rand.Rand // for what is read between the polls, so that the history is the same without
	now   time.Duration
	units []unit
	links []link // into the units
	todo  agenda
	calls int
	trips bool // the detector has tripped

	plant   *plantWorld // nil: the ring alone
	outages []Absence   // that are still to come, the first one last
	absent  []Absence   // that were

	shown time.Duration // when the fault had its first effect; 0: not yet
}

// A unit is one controller.
type unit struct {
	stage   fleet.Stage
	awake   bool
	call    int // the newest call that it has heard of
	booted  time.Duration
	down    time.Duration // until then it restarts: it neither answers nor sends
	dead    bool
	apart   bool // it takes no part
	heard   float64
	heardAt time.Duration
	obeys   bool // it stops on a shared trip
	days    int
	lag     time.Duration // what it takes to show that it has stopped
	before  fleet.Stage   // what it shows until then
	stopped time.Duration
}

// An event is what will happen at an instant.
type event struct {
	at    time.Duration
	what  action
	unit  int
	call  int
	stage fleet.Stage
	left  int // cables that the message may still travel
	day   int
}

type action uint8

const (
	wakes action = iota
	absorbs
	ends // the absorption timer, or an equalize is due
	sleeps
	hears
	breaks
	trips
	hearsTrip
	reboots
	sags  // a heavy load brings one unit back to bulk
	dawns // the next day is planned
	unplugs
	swaps
	reminds // a trip that lasts is told again to a unit that has restarted
)

type agenda []event

func (a agenda) Len() int           { return len(a) }
func (a agenda) Less(i, j int) bool { return a[i].at < a[j].at }
func (a agenda) Swap(i, j int)      { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)        { *a = append(*a, x.(event)) }
func (a *agenda) Pop() any {
	old := *a
	e := old[len(old)-1]
	*a = old[:len(old)-1]
	return e
}

func (w *world) plan(e event) { heap.Push(&w.todo, e) }

// spread returns a time within d.
func (w *world) spread(d time.Duration) time.Duration {
	if d <= 0 {
		return 0
	}
	return time.Duration(w.rng.Int64N(int64(d)))
}

func newWorld(s *Story) *world {
	w := &world{s: s, rng: rand.New(rand.NewPCG(s.Seed, 1000+uint64(s.Fault))), apart: rand.New(rand.NewPCG(s.Seed, 2000+uint64(s.Fault)))}
	w.units, w.links = make([]unit, s.Units), make([]link, s.Units)
	for i := range w.units {
		w.units[i] = unit{stage: fleet.Idle, booted: -w.spread(1000 * time.Hour), obeys: !s.Turns(i)}
		w.links[i] = newLink(w, i)
	}
	switch s.Fault {
	case TripStays:
		w.units[s.Unit].obeys = false
	case Unloaded:
		w.units[s.Unit].obeys = true
	}
	if s.Plant != nil {
		w.plant = newPlantWorld(w)
	}
	if s.Swap > 0 {
		w.plan(event{at: s.Swap - s.Hands, what: unplugs})
		w.plan(event{at: s.Swap, what: swaps})
	}
	for i := range w.units {
		w.units[i].heard = w.temperature(0)
	}
	w.plan(event{what: dawns})
	if s.Outages {
		w.planOutages()
	}
	switch s.Fault {
	case Healthy:
	case TripStops:
		w.plan(event{at: s.At - s.Day/20, what: breaks})
		w.plan(event{at: s.At, what: trips})
	case TripSlow:
		w.plan(event{at: s.At, what: trips})
		w.slowDown()
	case TripStays, Unloaded:
		w.plan(event{at: s.At, what: trips})
	default:
		w.plan(event{at: s.At, what: breaks})
	}
	return w
}

// reach brings the ring to an instant; just before it breaks, what came until then is counted.
func (w *world) reach(at time.Duration) {
	if s := w.s; w.now < s.At && s.At <= at && s.Fault != Healthy {
		w.until(s.At - 1)
		w.flowAll(s.At)
	}
	w.until(at)
}

// until lets everything happen that is due by an instant.
func (w *world) until(t time.Duration) {
	for len(w.todo) > 0 && w.todo[0].at <= t {
		e := heap.Pop(&w.todo).(event)
		w.now = e.at
		w.happen(&e)
	}
	w.now = t
}

func (w *world) happen(e *event) {
	u := &w.units[e.unit]
	switch e.what {
	case dawns:
		w.dawn(e.day)
	case wakes:
		u.awake = true
		w.enter(u, fleet.Bulk)
		if w.s.Kept {
			w.join(e.unit)
		}
	case absorbs:
		if u.stage == fleet.Bulk {
			w.enter(u, fleet.Absorption)
		}
	case ends:
		if charging(u.stage) && u.days == e.day {
			w.start(e.unit, e.stage)
		}
	case sags:
		if u.stage == fleet.Float {
			w.enter(u, fleet.Bulk)
			w.plan(event{at: w.now + w.s.Day/20, what: absorbs, unit: e.unit})
			w.plan(event{at: w.now + w.s.Day/10, what: ends, unit: e.unit, stage: fleet.Float, day: u.days})
		}
	case sleeps:
		u.awake = false
		w.enter(u, fleet.Idle)
	case hears:
		w.hear(e)
	case trips:
		w.trip()
	case hearsTrip:
		w.hearTrip(e)
	case reboots:
		w.reboot(e)
	case breaks:
		w.breakDown()
	case unplugs:
		w.unplug()
	case swaps:
		w.swap()
	case reminds:
		if w.trips && u.obeys && w.now >= u.down {
			u.stop(w.now)
		}
	}
}

func charging(s fleet.Stage) bool { return s == fleet.Bulk || s == fleet.Absorption }

func (w *world) enter(u *unit, s fleet.Stage) {
	if !w.stopped(u) {
		u.stage = s
	}
}

func (w *world) stopped(u *unit) bool { return u.dead || w.now < u.down || u.stage == fleet.Fault }

// dawn plans a day: everybody wakes, absorbs and would end absorption at a time of its own.
func (w *world) dawn(day int) {
	if w.plant != nil {
		w.plant.dawn(w, day)
		return
	}
	d := w.s.Day
	float := fleet.Float
	if w.rng.IntN(12) == 0 {
		float = fleet.Equalize
	}
	rest := w.now + d*9/10
	for i := range w.units {
		w.units[i].days = day
		wake := w.now + w.spread(d/20)
		if w.rng.IntN(25) == 0 {
			wake += d / 2 // in the shade until noon
		}
		absorb := wake + d/20 + w.spread(d/10)
		w.plan(event{at: wake, what: wakes, unit: i})
		w.plan(event{at: absorb, what: absorbs, unit: i})
		if end := absorb + d/6 + w.spread(d/4); end < rest {
			w.plan(event{at: end, what: ends, unit: i, stage: float, day: day})
		}
		w.plan(event{at: rest + w.spread(d/20), what: sleeps, unit: i})
		if w.s.Reboots && w.rng.IntN(20) == 0 {
			w.plan(event{at: w.now + w.spread(d), what: reboots, unit: i})
		}
	}
	if w.rng.IntN(3) == 0 {
		w.plan(event{at: w.now + d*3/4, what: sags, unit: w.rng.IntN(len(w.units))})
	}
	w.plan(event{at: w.now + d, what: dawns, day: day + 1})
}

// start begins a call at a unit.
func (w *world) start(i int, s fleet.Stage) {
	u := &w.units[i]
	if w.stopped(u) {
		return
	}
	w.enter(u, s)
	if u.apart {
		return
	}
	w.calls++
	u.call = w.calls
	w.pass(event{what: hears, unit: i, call: w.calls, stage: s, left: len(w.units) - 1})
}

// pass hands a message from e.unit to the next one. It is lost where the cable does not carry it, or comes later where
// it is repeated.
func (w *world) pass(e event) {
	to := (e.unit + 1) % len(w.units)
	if e.left == 0 || w.s.Open && to == 0 {
		return
	}
	l := &w.links[to]
	at := w.now + time.Duration((0.6+0.4*w.rng.Float64())*float64(w.s.Hop))
	for try := 0; ; try++ {
		switch {
		case l.dead():
			return
		case l.carries(at, w.rng):
			e.at, e.unit, e.left = at, to, e.left-1
			w.plan(e)
			return
		case try < 4: // sent again at once
			at += w.s.Hop / 4
		case !w.s.Kept || try > 200:
			return
		default:
			at += 5 * time.Second
		}
	}
}

func (w *world) hear(e *event) {
	u := &w.units[e.unit]
	if u.dead {
		return
	}
	if w.now < u.down { // whoever keeps the call says it again
		e.at = u.down + 5*time.Second
		w.plan(*e)
		return
	}
	if !u.apart && e.call > u.call {
		u.call = e.call
		if charging(u.stage) || u.stage.Coordinated() && u.stage != e.stage {
			w.enter(u, e.stage)
		}
	}
	w.pass(*e)
}

// join lets a unit that wakes follow the call that its ring keeps: the nearest working unit upstream tells it.
func (w *world) join(i int) {
	n := len(w.units)
	for back := 1; back < n; back++ {
		to := (i - back + 1 + n) % n
		from := (i - back + n) % n
		if w.links[to].dead() || w.s.Open && to == 0 || w.units[from].dead {
			return
		}
		if p := &w.units[from]; p.stage.Coordinated() && !p.apart {
			w.plan(event{at: w.now + 5*time.Second, what: hears, unit: i, call: p.call, stage: p.stage})
			return
		}
	}
}

// trip lets the detector, unit 0, find a ground fault.
func (w *world) trip() {
	w.trips = true
	w.units[0].stage = fleet.Fault
	w.pass(event{what: hearsTrip, unit: 0, left: len(w.units) - 1})
}

func (w *world) hearTrip(e *event) {
	u := &w.units[e.unit]
	if w.now >= u.down && u.obeys && !u.dead {
		u.stop(w.now)
	}
	if !u.dead {
		w.pass(*e)
	}
}

// reboot restarts a unit: it is away for a while, counts from nought, and charges anew.
func (w *world) reboot(e *event) {
	u := &w.units[e.unit]
	if u.stage == fleet.Fault && w.s.Fault != TripSlow || u.dead || e.unit == 0 && w.trips {
		return
	}
	u.booted = w.now
	away := w.spread(min(35*time.Second, 2*w.s.Period))
	if w.s.Long {
		away = w.spread(max(4*time.Minute, 8*w.s.Period))
	}
	u.down = w.now + away
	w.absent = append(w.absent, Absence{e.unit, e.unit, w.now, u.down, true})
	u.stage = fleet.Idle
	if u.awake {
		u.stage = fleet.Bulk
	}
	l := &w.links[e.unit]
	l.good, l.bad = 0, 0
	if w.s.Fault == TripSlow {
		w.plan(event{at: u.down + w.spread(5*time.Second), what: reminds, unit: e.unit})
	}
}

func (w *world) breakDown() {
	s := w.s
	if w.plant != nil {
		w.plant.breakDown(w)
		return
	}
	switch s.Fault {
	case Cut, TripStops:
		w.links[s.Link].cable.cut = true
	case TwoCuts:
		w.links[s.Link].cable.cut, w.links[s.Other].cable.cut = true, true
	case CutApart:
		w.links[s.Link].cable.cut = true
		w.units[s.Unit].apart = true
	case Noisy:
		w.links[s.Link].cable.share = s.Share
	case Bursts:
		w.links[s.Link].cable.begin(w)
	case JackFails:
		w.fail(&w.links[s.Link].jacks)
	case CableSwaps:
		w.fail(&w.links[s.Link].cable)
	case Apart:
		w.units[s.Unit].apart = true
	case Dead:
		w.units[s.Unit].dead = true
	}
}

// temperature is the battery's, as the reference's sensor, at unit 0, sees it.
func (w *world) temperature(at time.Duration) float64 {
	if w.plant != nil {
		return w.plant.temperature(at)
	}
	phase := 2 * math.Pi * float64(w.s.Seed%97) / 97
	return 16 + 5*math.Sin(phase+2*math.Pi*at.Hours()/7) + 1.5*math.Sin(2*math.Pi*at.Hours()/1.7)
}

// share tells the reference's temperature to everybody that it reaches.
func (w *world) share() {
	t := math.Round(10*w.temperature(w.now)) / 10
	reached := !w.units[0].dead
	for i := range w.units {
		u := &w.units[i]
		if i > 0 && (w.links[i].dead() || w.links[i].lost(w.now)) || u.dead {
			reached = false
		}
		switch {
		case i == 0 && !u.dead: // its own sensor
			u.heard, reached = t, !u.apart
			continue
		case reached && !u.apart:
			u.heard, u.heardAt = t, w.now
		}
		if w.s.Default && w.now-u.heardAt > 2*time.Minute {
			u.heard = 25
		}
	}
}
