package simulator

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"

	"ringwarden/fleet"
	"ringwarden/simulator/modbusserver"
)

// step is the time that the physics moves at once. Messages hop between steps at their own instants.
const step = time.Second

// A ring is one bank with everything on it. Rings know nothing of each other, so each has its own generator: one
// site more in the fleet file changes no other.
type ring struct {
	f        *fleet.Ring
	zone     *time.Location
	epoch    time.Time
	rng      *rand.Rand
	noise    uint64 // seeds the noise on readings, which is the same however often somebody reads
	now      time.Duration
	hop      time.Duration
	sky      sky
	bank     bank
	load     float64 // W, the mean over a day
	units    []unit
	feeds    []feed // of the units, in the same order
	links    []link // into the units, in the same order
	mail     mailbag
	calls    uint32
	grounded int      // ground faults that stand
	network  *network // of the site
	day      int      // of the site's calendar
}

// A network is a site's: what connects its controllers with the world.
type network struct {
	out  bool
	gate modbusserver.Gate
}

func (n *network) shut(out bool) {
	n.out = out
	if out {
		n.gate.Shut()
	} else {
		n.gate.Open()
	}
}

func newRing(site *fleet.Site, f *fleet.Ring, network *network, o Options) *ring {
	h := fnv.New64a()
	h.Write([]byte(f.ID))
	r := &ring{
		f: f, zone: site.Zone, epoch: o.Start, network: network, noise: o.Seed ^ h.Sum64(),
		rng: rand.New(rand.NewPCG(o.Seed, h.Sum64())), hop: o.Hop,
	}
	if f.HopTime > 0 {
		r.hop = min(r.hop, f.HopTime)
	}
	n := len(f.Controllers)
	r.units, r.feeds, r.links = make([]unit, n), make([]feed, n), make([]link, n)
	r.mail = newMailbag(n)
	rated, steady := 0.0, 0.0
	for i := range r.units {
		s := newSource(&f.Controllers[i], r.rng)
		r.units[i].source = s
		rated += s.rated
		if s.kind == fleet.Hydro {
			steady += s.rated
		}
	}
	r.bank = newBank(f.Bank, o.Charge, rated)
	for i := range r.units {
		r.furnish(i)
	}
	for _, l := range f.Links() {
		r.links[l.To].wired = true
	}
	// The loads take about a sixth of the bank in a night, and more than hydro alone gives, so that there is
	// something to charge every morning.
	r.load = max(0.011*r.bank.capacity/3600*r.bank.rest(), 1.2*steady)
	r.sky = newSky(o.Weather, o.Latitude, longitudeOf(site.Zone, o.Start.Year()), r.rng)
	r.day = r.calendarDay()
	r.settleIn()
	return r
}

// furnish sets a unit up as the fleet file intends it.
func (r *ring) furnish(i int) {
	u, c := &r.units[i], &r.f.Controllers[i]
	u.c, u.ring, u.index = c, r, i
	b, in := &r.bank, &c.Intended
	u.settings = settings{
		enabled: true, reference: in.TemperatureReference, detector: in.FaultDetector,
		trips: in.OnSharedFault != fleet.Stay, address: ownAddress(c, i),
		absorptionVolts: or(in.Setpoints.Absorption, b.absorption*b.cells),
		floatVolts:      or(in.Setpoints.Float, b.float*b.cells),
		equalizeVolts:   or(in.Setpoints.Equalize, b.equalize*b.cells),
		slope:           or(in.Setpoints.TemperatureSlope, b.slope),
		absorptionTime:  othersAbsorb,
	}
	if i == 0 {
		u.absorptionTime = firstAbsorbs
	}
	u.left = u.absorptionTime
	u.stage = fleet.Idle
	u.heard, u.sensedAt, u.sharedAt = noTimeYet, noTimeYet, noTimeYet
	u.lifetime = u.rated * 3600 * 24 * 365 * (0.2 + 2*r.rng.Float64())
	amps := u.rated / b.rest()
	r.feeds[i] = feed{lead: (0.02 + 0.03*r.rng.Float64()) / amps, droop: 0.02 / amps}
	r.links[i] = link{odd: 0.001 + 0.004*r.rng.Float64(), good: r.rng.Uint64N(1 << 20), bad: r.rng.Uint64N(1 << 10)}
}

func or(p *float64, otherwise float64) float64 {
	if p != nil {
		return *p
	}
	return otherwise
}

// settleIn lets the ring have stood for a while: temperatures are shared, and whoever has input is awake.
func (r *ring) settleIn() {
	r.sky.moveSun(r.epoch)
	r.bank.temperature = airMean + 4 + 0.3*(r.sky.air-airMean)
	for i := range r.units {
		u := &r.units[i]
		u.booted = -time.Duration(r.rng.Int64N(int64(30 * 24 * time.Hour)))
		u.source.step(&r.sky)
		if u.reference {
			u.sense(r.bank.temperature, r.rng)
		}
		if u.available > wakesAt*u.rated {
			u.awake = awakeAfter
			u.stage = fleet.Bulk
		}
		r.links[i].fine = r.links[i].wired
		r.feeds[i].terminal = r.bank.voltage // until the first second has passed
	}
	for i := range r.units { // from the nearest reference upstream
		for back := range r.units {
			from := &r.units[(i+len(r.units)-back)%len(r.units)]
			if from.reference && (!r.f.Open || from.index <= i) {
				r.units[i].shared, r.units[i].sharedAt = from.sensed, 0
				break
			}
		}
		r.units[i].know(0)
	}
}

// step moves the ring on by one second.
func (r *ring) step() {
	r.now += step
	second := int64(r.now / step)
	r.deliver(r.now)
	for i := range r.links {
		if l := &r.links[i]; l.wired && !r.units[i].dead {
			l.frame(r.now, !r.units[(i+len(r.units)-1)%len(r.units)].dead, r.rng)
		}
	}
	r.sky.step(second, r.at, r.rng)
	r.feed()
	r.bank.settle(r.feeds, r.draw(second))
	r.bank.store(r.sky.air)
	if second%60 == 0 {
		r.day = r.calendarDay()
	}
	for i := range r.units {
		r.after(&r.units[i], &r.feeds[i])
	}
}

// feed says what each unit can give, and up to which voltage.
func (r *ring) feed() {
	for i := range r.units {
		u, f := &r.units[i], &r.feeds[i]
		u.source.step(&r.sky)
		u.know(r.now)
		f.limit = 0
		if u.charging() {
			f.limit = u.available * efficiency / r.bank.voltage
		}
		f.target = u.target(r.bank.cells)
	}
}

// after lets one unit count, judge and speak, now that the voltages are known.
func (r *ring) after(u *unit, f *feed) {
	if u.dead {
		return
	}
	joules := f.current * f.terminal
	u.lifetime += joules
	if u.day != r.day {
		u.day, u.today = r.day, 0
	}
	u.today += joules
	if r.bank.voltage < rebulkShare*u.floatVolts {
		u.low++
	} else {
		u.low = 0
	}
	u.step(f, r.now)
	r.share(u, r.now)
}

// draw returns the loads' current: a base with a peak in the morning and a higher one in the evening. Loads are
// dropped as the bank runs empty, and they take no more than brings it down to seven tenths of its voltage at rest.
func (r *ring) draw(second int64) float64 {
	hour := math.Mod(float64(r.epoch.Unix()%86400+second)/3600+r.sky.longitude/15+24, 24)
	shape := 0.7 + 0.7*bump(hour, 7.5, 1.2) + 1.3*bump(hour, 19.5, 2)
	_, drawing := r.bank.resistances()
	amps := r.load * shape * min(1, r.bank.soc()/0.1) / r.bank.voltage
	return min(amps, 0.3*r.bank.rest()/drawing)
}

func bump(hour, at, width float64) float64 {
	x := (hour - at) / width
	return math.Exp(-x * x / 2)
}

func (r *ring) at(second int64) time.Time { return r.epoch.Add(time.Duration(second) * step) }

func (r *ring) calendarDay() int { return r.epoch.Add(r.now).In(r.zone).YearDay() }
