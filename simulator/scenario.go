package simulator

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// A Scenario is what a plant begins with and what goes wrong in it, by simulated time. SCENARIO.md beside this file
// specifies its format.
type Scenario struct {
	File  string
	About string // what happens, in a sentence
	// What the plant begins with; zero values mean the defaults of [Options].
	Seed     uint64
	Date     string        // year-month-day
	Clock    time.Duration // time of day on the clock of the fleet's first site; meaningful with HasClock
	HasClock bool
	Charge   float64 // state of charge
	Weather  Weather
	Events   []Event
	Expect   []Expectation // what a watcher at the default settings should find, sorted by kind and subject
}

// An Event is a fault that stands from At to Until, both counted from the start.
type Event struct {
	Fault
	At, Until time.Duration // Until 0: it is never cleared
	line, col int
}

// An Expectation is an alarm that the scenario raises.
type Expectation struct {
	Alarm fleet.Kind
	On    fleet.Subject
}

// String names the alarm as people do.
func (e Expectation) String() string { return fmt.Sprintf("%s on %s", e.Alarm, e.On) }

// Compare holds the alarms that were raised against those that the scenario expects, and returns those that were not
// raised and those that nobody expects, sorted by kind and subject. What was raised may name one several times.
func (s *Scenario) Compare(raised iter.Seq[fleet.AlarmKey]) (missing, other []Expectation) {
	came := map[Expectation]bool{}
	for k := range raised {
		e := Expectation{k.Kind, k.Subject}
		if !came[e] && !slices.Contains(s.Expect, e) {
			other = append(other, e)
		}
		came[e] = true
	}
	for _, e := range s.Expect {
		if !came[e] {
			missing = append(missing, e)
		}
	}
	slices.SortFunc(other, byName)
	return missing, other
}

func byName(a, b Expectation) int {
	return cmp.Or(cmp.Compare(a.Alarm, b.Alarm), cmp.Compare(a.On, b.On))
}

// action is one thing that a scenario does to a plant.
type action struct {
	at    time.Duration
	fault Fault
	end   bool
}

// ParseScenario reads a scenario. Its error joins a [*userfile.Error] for every fault, in the order of the file.
// Whether the places that it names exist is checked when a plant is made of it.
func ParseScenario(file string, data []byte) (*Scenario, error) {
	p := &scenarioParser{Document: userfile.Parse(file, data), s: &Scenario{File: file}}
	if p.Root != nil {
		p.file()
	}
	if err := p.Err(); err != nil {
		return nil, err
	}
	return p.s, nil
}

type scenarioParser struct {
	*userfile.Document
	s *Scenario
}

const (
	longestEvent = 400 * 24 * time.Hour
	mostEvents   = 10000
)

var scenarioKeys = []string{"format", "about", "start", "seed", "events", "expect"}

func (p *scenarioParser) file() {
	m, ok := p.Mapping(p.Root, "the scenario", scenarioKeys...)
	if !ok {
		return
	}
	if n, ok := m.Need("format", "write \"format: 1\" as its first line"); ok {
		if v, ok := p.Integer(n, "format", 1, math.MaxInt32); ok && v != 1 {
			p.Faultf(n, "format %d is not known to this program, which reads format 1; a newer program may", v)
			return
		}
	}
	if n, ok := m.Need("about", "say in a sentence what happens"); ok {
		p.s.About, _ = p.Text(n, "about")
	}
	if n, ok := m.Get("seed"); ok {
		v, _ := p.Integer(n, "seed", 1, math.MaxInt64)
		p.s.Seed = uint64(v)
	}
	if n, ok := m.Get("start"); ok {
		p.start(n)
	}
	if n, ok := m.Get("events"); ok {
		p.events(n)
	}
	if n, ok := m.Get("expect"); ok {
		p.expect(n)
	}
}

var startKeys = []string{"time", "date", "charge", "weather"}

func (p *scenarioParser) start(n *yaml.Node) {
	m, ok := p.Mapping(n, "start", startKeys...)
	if !ok {
		return
	}
	if n, ok := m.Get("time"); ok {
		if s, ok := p.Text(n, "time"); ok {
			at, err := time.Parse("15:04", s)
			if err != nil {
				p.Faultf(n, "time must be a time of day such as \"10:30\", not %q", s)
			}
			p.s.Clock, p.s.HasClock = time.Duration(at.Hour())*time.Hour+time.Duration(at.Minute())*time.Minute, true
		}
	}
	if n, ok := m.Get("date"); ok {
		if s, ok := p.Text(n, "date"); ok {
			if _, err := time.Parse(time.DateOnly, s); err != nil {
				p.Faultf(n, "date must be a day such as 2026-06-21, not %q", s)
			}
			p.s.Date = s
		}
	}
	if n, ok := m.Get("charge"); ok {
		p.s.Charge, _ = fleet.Amount(p.Document, n, "charge", fleet.Ratio, "5 %", "100 %", "90 %")
	}
	if n, ok := m.Get("weather"); ok {
		w, _ := p.Word(n, "weather", Weathers...)
		p.s.Weather = Weather(w)
	}
}

func (p *scenarioParser) events(n *yaml.Node) {
	items, _ := p.Sequence(n, "events")
	if len(items) > mostEvents {
		p.Faultf(n, "events has %d entries; at most %d are read", len(items), mostEvents)
		return
	}
	for _, item := range items {
		p.event(item)
	}
}

func (p *scenarioParser) expect(n *yaml.Node) {
	items, _ := p.Sequence(n, "expect")
	for _, item := range items {
		m, ok := p.Mapping(item, "an expected alarm", "alarm", "on")
		if !ok {
			continue
		}
		var e Expectation
		if n, ok := m.Need("alarm", "name the kind of alarm"); ok {
			s, _ := p.Text(n, "alarm")
			e.Alarm = fleet.Kind(s)
		}
		if n, ok := m.Need("on", "name the site, ring, controller or link that it is raised on"); ok {
			s, _ := p.Text(n, "on")
			e.On = fleet.Subject(s)
		}
		if slices.Contains(p.s.Expect, e) {
			p.Faultf(item, "%s on %s is expected already", e.Alarm, e.On)
		}
		p.s.Expect = append(p.s.Expect, e)
	}
	slices.SortFunc(p.s.Expect, byName)
}

// start returns the instant at which the scenario begins on a clock.
func (s *Scenario) start(zone *time.Location) time.Time {
	day := time.Date(2026, 6, 21, 0, 0, 0, 0, zone)
	if s.Date != "" {
		day, _ = time.ParseInLocation(time.DateOnly, s.Date, zone) // checked when it was read
	}
	clock := defaultClock
	if s.HasClock {
		clock = s.Clock
	}
	return time.Date(day.Year(), day.Month(), day.Day(), int(clock/time.Hour), int(clock%time.Hour/time.Minute), 0, 0, zone)
}

// follow takes a scenario's events on, after it has checked that each can be where it is said to be.
func (p *Plant) follow(s *Scenario) error {
	var faults []error
	for _, e := range s.Events {
		f := e.Fault
		if _, _, err := p.find(&f); err != nil {
			faults = append(faults, &userfile.Error{File: s.File, Line: e.line, Column: e.col, Msg: err.Error()})
			continue
		}
		p.script = append(p.script, action{at: e.At, fault: f})
		if e.Until > 0 {
			p.script = append(p.script, action{at: e.Until, fault: f, end: true})
		}
	}
	slices.SortStableFunc(p.script, func(a, b action) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(truth(b.end), truth(a.end)))
	})
	p.act()
	return errors.Join(faults...)
}
