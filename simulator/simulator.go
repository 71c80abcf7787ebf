// Package simulator is a fleet that is not there: battery banks, sources, controllers and the ring cables between
// them, in simulated time, and whatever can go wrong with them.
//
// A [Plant] is made from a fleet file's sites and the controllers' register maps. [Plant.Advance] moves its time on;
// the same seed, start and faults give the same registers, however often somebody reads them. Frames can be taken in
// process ([Plant.Frame]), through the same registers, read plans and decoding as over a network, or over real Modbus
// TCP ([Serve]). Faults come live ([Plant.Inject], [Plant.Clear]) or from a scenario file ([ParseScenario]), whose
// format SCENARIO.md beside this file specifies.
//
// What is simulated: the sun's place, passing clouds, wind, water; a bank that counts coulombs and whose voltage
// emerges from all currents; each controller's stages with temperature-compensated targets; and the one-way ring, in
// which only float and equalize calls, the reference's temperature and ground-fault trips travel, hop by hop. The
// figures are plausible and no more: it serves to prove and to show ringwarden, never to design a plant.
package simulator

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// Options say what a plant begins with. The zero value of each means the scenario's word, or else the default.
type Options struct {
	Seed     uint64        // of everything random
	Start    time.Time     // default: 21 June 2026, 10:30 on the clock of the fleet's first site
	Charge   float64       // state of charge of every bank, above 0 to 1; default 0.85
	Weather  Weather       // default [Mixed]
	Latitude float64       // degrees north; default 52
	Hop      time.Duration // that a shared message takes from unit to unit; default 500 ms, but at most the ring's hop time
	Scenario *Scenario     // faults to come; nil: none
}

// The defaults of [Options]: in the middle of the morning, with the bank nearly full, every stage is seen within
// five hours, which are five minutes at 60 times the clock's speed.
const (
	DefaultCharge   = 0.85
	DefaultLatitude = 52
	defaultClock    = 10*time.Hour + 30*time.Minute
)

// A Plant is a simulated fleet. Its methods may be called from several goroutines.
type Plant struct {
	start time.Time

	mu     sync.Mutex
	now    time.Duration // since start; a whole number of steps
	rings  []*ring
	sites  map[fleet.SiteID]*network
	units  map[fleet.ControllerID]*unit
	links  map[fleet.LinkID]*link
	script []action // what the scenario has yet to do, in order
	active []Fault
	news   []News // not yet taken; at most mostNews, the oldest go first
	words  [registermap.MaxRegisters]uint16
	bits   [registermap.MaxBits]bool
}

// New makes a plant of the fleet's sites. maps are the register maps by [fleet.Controller.Map]. A scenario whose
// events name what the fleet does not have is an error, with every such place in the scenario's file.
func New(f *fleet.Fleet, maps map[string]*registermap.Map, o Options) (*Plant, error) {
	o.fill(f)
	p := &Plant{
		start: o.Start, sites: map[fleet.SiteID]*network{},
		units: map[fleet.ControllerID]*unit{}, links: map[fleet.LinkID]*link{},
	}
	profiles := map[*registermap.Map]*profile{}
	for s := range f.Sites {
		site := &f.Sites[s]
		lan := &network{}
		p.sites[site.ID] = lan
		for i := range site.Rings {
			r := newRing(site, &site.Rings[i], lan, o)
			p.rings = append(p.rings, r)
			for _, l := range r.f.Links() {
				p.links[l.ID] = &r.links[l.To]
			}
			for u := range r.units {
				if err := p.equip(&r.units[u], maps, profiles); err != nil {
					return nil, err
				}
			}
		}
	}
	if o.Scenario != nil {
		if err := p.follow(o.Scenario); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// equip gives a unit its registers.
func (p *Plant) equip(u *unit, maps map[string]*registermap.Map, profiles map[*registermap.Map]*profile) error {
	m := maps[u.c.Map]
	if m == nil {
		return fmt.Errorf("simulating %s: its map %q is not loaded", u.c.ID, u.c.Map)
	}
	if profiles[m] == nil {
		profiles[m] = newProfile(m)
	}
	u.dev = device{profile: profiles[m], image: m.NewImage(), of: noTimeYet, hole: -1}
	p.units[u.c.ID] = u
	return nil
}

// fill puts the scenario's words and the defaults where nothing is said.
func (o *Options) fill(f *fleet.Fleet) {
	var s Scenario
	if o.Scenario != nil {
		s = *o.Scenario
	}
	zone := time.UTC
	if len(f.Sites) > 0 {
		zone = f.Sites[0].Zone
	}
	if o.Start.IsZero() {
		o.Start = s.start(zone)
	}
	if o.Charge == 0 {
		o.Charge = s.Charge
	}
	if o.Charge <= 0 || o.Charge > 1 {
		o.Charge = DefaultCharge
	}
	if o.Weather == "" {
		o.Weather = s.Weather
	}
	if _, known := climates[o.Weather]; !known {
		o.Weather = Mixed
	}
	if o.Latitude == 0 {
		o.Latitude = DefaultLatitude
	}
	if o.Hop <= 0 {
		o.Hop = defaultHop
	}
	if o.Seed == 0 {
		o.Seed = s.Seed
	}
}

// Start returns the simulated instant at which the plant began.
func (p *Plant) Start() time.Time { return p.start }

// Now returns the simulated instant: that of the last whole second that [Plant.Advance] came to.
func (p *Plant) Now() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.start.Add(p.now)
}

// Advance moves simulated time on to an instant, in whole seconds from the start, and does what the scenario says on
// the way. An instant that is past changes nothing.
func (p *Plant) Advance(to time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	until := to.Sub(p.start).Truncate(step)
	for p.now < until {
		next := until
		if len(p.script) > 0 {
			next = min(next, p.script[0].at)
		}
		for _, r := range p.rings {
			for r.now < next {
				r.step()
			}
		}
		p.now = max(p.now, next)
		p.act()
	}
}

// News is that a fault was set or cleared, or could not be.
type News struct {
	At    time.Time // simulated
	Fault Fault
	Ended bool
	Err   error // why an event of the scenario could not be done when its time came; nil: it was
}

// mostNews bounds the news that nobody takes.
const mostNews = 1000

func (p *Plant) tell(n News) {
	n.At = p.start.Add(p.now)
	if len(p.news) >= mostNews {
		p.news = slices.Delete(p.news, 0, 1)
	}
	p.news = append(p.news, n)
}

// News takes what happened since it was last asked, oldest first.
func (p *Plant) News() []News {
	p.mu.Lock()
	defer p.mu.Unlock()
	news := p.news
	p.news = nil
	return news
}

// act does what the scenario says for this instant.
func (p *Plant) act() {
	for len(p.script) > 0 && p.script[0].at <= p.now {
		a := p.script[0]
		p.script = p.script[1:]
		if a.end {
			p.clear(a.fault.Kind, a.fault.On)
		} else if err := p.inject(a.fault); err != nil {
			p.tell(News{Fault: a.fault, Err: err})
		}
	}
}
