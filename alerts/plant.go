package alerts

import (
	"time"

	"ringwarden/fleet"
)

// A site holds what is judged of a place as a whole.
type site struct {
	id     fleet.SiteID
	name   string
	zone   *time.Location
	rings  []*ring
	units  []*unit
	watch  *watch        // of its silence; nil where it has one controller
	silent bool          // none of its controllers answers
	back   time.Time     // when one answered again after the last such time
	awake  time.Time     // since when the program has listened without a break
	beat   time.Duration // shortest poll period, for controllers that were never heard
	siteTracks
}

// siteTracks is what is remembered of a site; see unitTracks.
type siteTracks struct {
	raises raises
}

// A ring holds what is judged of a ring, prepared once at each Advance.
type ring struct {
	f     *fleet.Ring
	name  string
	site  *site
	units []*unit
	links []*link

	calls     [2]residents // of float, of equalize
	reference reference
	trip      trip
	bank      bank
	targets   [targets]float64  // the middle of each charging target; not a number: too few tell it
	pairs     [targets][2]*unit // the two that tell a target, where no more do; nil: one, none or many
	partaking int               // units that say that they take part in the ring
	clash     *watch            // of ring addresses
	endless   *watch            // of the bank's absorption
	doubts    []*link           // whose flags were bad when they were read last, and that deserve a look between the polls
	ringTracks
}

// ringTracks is what detectors remember of a ring; see unitTracks.
type ringTracks struct {
	usual    [evidenceCount]usual // by what the maps offer
	usualAt  time.Time            // when it was learned last
	interval time.Duration        // usual time between frames; 0: not known
	flags    float64              // share of bad samples of all sampled flags together
	sticks   stickiness           // of sampled flags
	hadHeat  bool                 // the ring had a temperature reference, or is meant to
	charge   chargeTrack
	yields   yieldClock
}

// A unit is what is known of one controller.
type unit struct {
	c     *fleet.Controller
	name  string
	index int // in its ring
	ring  *ring
	in    *link // the cable into it; nil: none
	out   *link // the cable out of it; nil: none
	watch [kindCount]*watch

	since   time.Time // when it came into the fleet file; zero: with the program's start
	streams [3]stream // by poll group
	unitTracks
}

// unitTracks is what detectors remember of a controller. It holds plain values alone, so that [Engine.State] can write
// it down and [Engine.Update] can hand it on.
type unitTracks struct {
	presence presence
	roles    roles
	stage    stageTrack
	heat     heatTrack
	fault    faultTrack

	voltage, amperes, watts gauge
	settings                [settingCount]settingTrack
	constant                constantTrack
	lead                    leadTrack
	apart                   apartTrack
	absorption              absorptionTrack
	yield                   yieldTrack
}

// A link is what is known of one cable, from its receiver's readings.
type link struct {
	id       fleet.LinkID
	from, to *unit
	watch    [kindCount]*watch
	linkTracks
}

// linkTracks is what detectors remember of a cable; see unitTracks.
type linkTracks struct {
	quiet quietTrack
	noise noiseTrack
}

// truth is a flag that may not have been read yet.
type truth uint8

const (
	unread truth = iota
	isFalse
	isTrue
)

func truthOf(v float64) truth {
	if v != 0 {
		return isTrue
	}
	return isFalse
}

// or returns the flag, or what holds as long as it was not read.
func (t truth) or(otherwise bool) bool {
	if t == unread {
		return otherwise
	}
	return t == isTrue
}

// roles are a unit's settings as it reports them.
type roles struct {
	enabled, reference, detector, trips truth
	disabledAt                          time.Time // newest frame that said that it takes no part in the ring
}

// partakes reports whether the unit takes part in the ring's coordination, which a unit that does not say does.
func (u *unit) partakes() bool { return u.roles.enabled != isFalse }

func (u *unit) isReference() bool { return u.roles.reference.or(u.c.Intended.TemperatureReference) }

func (u *unit) isDetector() bool { return u.roles.detector.or(u.c.Intended.FaultDetector) }

// build makes everything that is judged, in the order of the file.
func (e *Engine) build(f *fleet.Fleet) {
	e.periods, e.rules = f.Periods, f.Rules
	e.sites, e.watches, e.quick, e.slow = nil, nil, nil, nil
	e.units, e.byKey = map[fleet.ControllerID]*unit{}, map[fleet.AlarmKey]*watch{}
	e.alike = map[settings]*settings{}
	for s := range f.Sites {
		fs := &f.Sites[s]
		st := &site{id: fs.ID, zone: fs.Zone, name: fleet.Line(fs.Name, string(fs.ID)), beat: min(e.periods.Fast, e.periods.Normal, e.periods.Slow)}
		for r := range fs.Rings {
			st.rings = append(st.rings, e.buildRing(st, &fs.Rings[r]))
		}
		// At a site with one controller the site's silence would say nothing that the controller's does not.
		if len(st.units) > 1 {
			st.watch = e.watchOn(siteSilent, fleet.Subject(fs.ID), watch{site: st})
		}
		for _, r := range st.rings {
			e.watchRing(r)
		}
		for _, k := range []kindIndex{clockStepped, alarmFlood, alarmChattering} { // after all that they count
			e.watchOn(k, fleet.Subject(fs.ID), watch{site: st, steps: e.steps})
		}
		e.sites = append(e.sites, st)
	}
	e.watchStore()
	e.watchClock()
}

func (e *Engine) buildRing(st *site, f *fleet.Ring) *ring {
	r := &ring{f: f, name: fleet.Line(f.Name, string(f.ID)), site: st}
	for i := range f.Controllers {
		c := &f.Controllers[i]
		u := &unit{c: c, name: fleet.Line(c.Name, c.ID.Slug()), index: i, ring: r}
		r.units = append(r.units, u)
		e.units[c.ID] = u
	}
	for _, fl := range f.Links() {
		l := &link{id: fl.ID, from: r.units[fl.From], to: r.units[fl.To]}
		l.from.out, l.to.in = l, l
		r.links = append(r.links, l)
	}
	st.units = append(st.units, r.units...)
	return r
}

// watchRing makes the watches of a ring in the order in which they are judged: what explains comes before what it
// explains.
func (e *Engine) watchRing(r *ring) {
	for _, k := range []kindIndex{controllerSilent, faultTrip, tripNotShared, turbineUnloaded} {
		e.watchUnits(r, k)
	}
	for _, k := range []kindIndex{linkDown, linkNoisy} {
		for _, l := range r.links {
			l.watch[k] = e.watchOn(k, fleet.Subject(l.id), watch{site: r.site, ring: r, link: l})
		}
	}
	e.watchUnits(r, stageSplit)
	e.watchOn(temperatureReferences, fleet.Subject(r.f.ID), watch{site: r.site, ring: r})
	for _, k := range []kindIndex{temperatureDefault, temperatureStuck, temperatureSplit} {
		e.watchUnits(r, k)
	}
	e.watchSlow(r)
}

// watchSlow makes the watches of a ring that are judged now and then.
func (e *Engine) watchSlow(r *ring) {
	e.watchUnits(r, registersFrozen)
	e.watchUnits(r, mapMismatch)
	on := func(k kindIndex) *watch { return e.watchOn(k, fleet.Subject(r.f.ID), watch{site: r.site, ring: r}) }
	r.clash = on(ringAddressClash)
	e.watchUnits(r, settingsDiffer)
	for _, k := range []kindIndex{bankVoltage, bankTemperature, noFullCharge, equalizeOverdue} {
		on(k)
	}
	r.endless = on(absorptionEndless)
	for _, k := range []kindIndex{leadResistance, bankVoltageSplit, equalizeOverlong, absorptionBrief, yieldBehind} {
		e.watchUnits(r, k)
	}
}

func (e *Engine) watchUnits(r *ring, k kindIndex) {
	for _, u := range r.units {
		u.watch[k] = e.watchOn(k, fleet.Subject(u.c.ID), watch{site: r.site, ring: r, unit: u})
	}
}

// share returns the one copy of equal settings: a large fleet has tens of thousands of watches, and few rules.
func (e *Engine) share(s settings) *settings {
	if kept := e.alike[s]; kept != nil {
		return kept
	}
	kept := s
	e.alike[s] = &kept
	return &kept
}

func (e *Engine) watchOn(k kindIndex, subject fleet.Subject, w watch) *watch {
	d := detectors[k]
	w.detector = d
	w.key = fleet.AlarmKey{Kind: d.info.Kind, Subject: subject}
	w.settings = e.share(settingsFor(&d.info, subject, e.rules))
	e.watches = append(e.watches, &w)
	if d.slow {
		e.slow = append(e.slow, &w)
	} else {
		e.quick = append(e.quick, &w)
	}
	e.byKey[w.key] = &w
	return &w
}
