package alerts_test

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// names are the words of scripts for what a controller reports.
var names = map[string]fleet.Quantity{
	"temperature": fleet.BatteryTemperature, "inside": fleet.InternalTemperature, "sensor": fleet.SensorPresent,
	"reference": fleet.RoleTemperatureReference, "detector": fleet.RoleFaultDetector, "trips": fleet.RoleTrips,
	"volts": fleet.BatteryVoltage, "amps": fleet.BatteryCurrent, "watts": fleet.OutputPower,
	"absorption": fleet.SetpointAbsorption, "float": fleet.SetpointFloat, "address": fleet.RingAddress,
	"enabled": fleet.RingEnabled, "ground-fault": fleet.Faults,
}

// command does what an 'at' line says: assignments, and a subject with a verb.
func (s *story) command(words []string) error {
	s.begin()
	s.acted = s.now
	for i := 0; i < len(words); i++ {
		var err error
		switch left, right, ok := strings.Cut(words[i], "="); {
		case words[i] == "restart":
			s.restart()
		case words[i] == "restart-remembering":
			err = s.remember()
		case words[i] == "reload":
			s.engine.Update(&s.fleet)
		case personal[words[i]]:
			return s.person(words[i:])
		case ok:
			err = s.assign(left, right)
		case i+1 < len(words):
			err = s.verb(words[i], words[i+1])
			i++
		default:
			err = fmt.Errorf("what about %q?", words[i])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *story) restart() {
	standing := s.engine.Alarms()
	s.engine = alerts.New(&s.fleet)
	s.engine.Restore(standing)
}

// remember stops and starts the program with all that it wrote down.
func (s *story) remember() error {
	standing, state := s.engine.Alarms(), s.engine.State()
	s.engine = alerts.New(&s.fleet)
	err := s.engine.Remember(state)
	s.engine.Restore(standing)
	return err
}

// person does what a person does: VERB [KIND] PLACE WHO [FOR].
func (s *story) person(words []string) error {
	at := epoch.Add(s.now)
	verb, who := words[0], words[len(words)-1]
	lasts := time.Duration(0)
	if verb != "acknowledge" && verb != "unshelve" && verb != "in-service" {
		var err error
		if lasts, err = duration(who); err != nil {
			return err
		}
		words = words[:len(words)-1]
		who = words[len(words)-1]
	}
	place := s.place(words[len(words)-2])
	key := fleet.AlarmKey{Kind: fleet.Kind(words[1]), Subject: place}
	var changes []fleet.Change
	var one fleet.Change
	var err error
	switch verb {
	case "acknowledge":
		one, err = s.engine.Acknowledge(key, who, "seen", at)
	case "shelve", "shelve-once":
		one, err = s.engine.Shelve(key, alerts.Shelving{Until: at.Add(lasts), OneShot: verb == "shelve-once", Who: who, Why: "known"}, at)
	case "unshelve":
		one, err = s.engine.Unshelve(key, who, "", at)
	case "out-of-service":
		o := alerts.Order{At: place, Until: at.Add(lasts), Who: who, Why: "work"}
		if len(words) == 4 {
			o.Kinds = []fleet.Kind{key.Kind}
		}
		changes, err = s.engine.TakeOutOfService(o, at)
	case "in-service":
		changes, err = s.engine.ReturnToService(place, who, "done", at)
	}
	if !one.At.IsZero() {
		changes = append(changes, one)
	}
	s.note(changes)
	return err
}

// place returns the id that a word of a script is short for.
func (s *story) place(word string) fleet.Subject {
	for _, r := range s.fleet.Sites[0].Rings {
		if strings.HasSuffix(string(r.ID), "/"+word) {
			return fleet.Subject(r.ID)
		}
		for _, c := range r.Controllers {
			if c.ID.Slug() == word {
				return fleet.Subject(c.ID)
			}
		}
		for _, l := range r.Links() {
			if strings.HasSuffix(string(l.ID), "/"+word) {
				return fleet.Subject(l.ID)
			}
		}
	}
	return fleet.Subject(word)
}

// who returns the actors that a word means: one, or all.
func (s *story) who(word string) ([]*actor, error) {
	if word == "all" {
		return s.actors, nil
	}
	i := slices.IndexFunc(s.actors, func(a *actor) bool { return a.slug == word })
	if i < 0 {
		return nil, fmt.Errorf("who is %q?", word)
	}
	return s.actors[i : i+1], nil
}

// cable returns the cable of a word like alder>birch, or the cables into everybody.
func (s *story) cables(word string) ([]*cable, error) {
	from, to, ok := strings.Cut(word, ">")
	var found []*cable
	for _, a := range s.actors {
		if word == "cables" || ok && a.slug == to && a.from != nil && a.from.slug == from {
			found = append(found, &a.cable)
		}
	}
	if found == nil {
		return nil, fmt.Errorf("which cable is %q?", word)
	}
	return found, nil
}

func (s *story) verb(subject, verb string) error {
	if subject == "clock" { // set forward: the devices do not know
		d, err := duration(strings.TrimPrefix(verb, "+"))
		for _, a := range s.actors {
			a.booted += d
			a.cable.heard += d
		}
		s.now += d - time.Second
		return err
	}
	switch verb {
	case "cut", "mended":
		cables, err := s.cables(subject)
		for _, c := range cables {
			c.cut = verb == "cut"
		}
		return err
	}
	actors, err := s.who(subject)
	for _, a := range actors {
		switch verb {
		case "silent":
			a.mute, a.how = true, fleet.Silent
		case "refuses":
			a.mute, a.how = true, fleet.Refused
		case "garbles":
			a.mute, a.how = true, fleet.Garbled
		case "answers":
			a.mute = false
		case "frozen":
			a.frozen = s.frame(a).Values
		case "older":
			a.booted -= time.Hour
		case "thaws":
			a.frozen = nil
		case "restarts": // counters and uptime begin at nought
			a.booted, a.cable.good, a.cable.junk = s.now, 0, 0
		default:
			return fmt.Errorf("what is it to %q?", verb)
		}
	}
	return err
}

func (s *story) assign(left, right string) error {
	subject, name, ok := strings.Cut(left, ".")
	if ok && (name == "bad" || name == "every") {
		cables, err := s.cables(subject)
		n, err2 := number(right)
		for _, c := range cables {
			if name == "bad" {
				c.bad = n
			} else {
				c.every = n
			}
		}
		return cmpErr(err, err2)
	}
	actors, err := s.who(subject)
	if err != nil {
		return err
	}
	q := fleet.QuantityStage
	if ok {
		if q, ok = names[name]; !ok {
			return fmt.Errorf("what is %q?", name)
		}
	}
	for _, a := range actors {
		v, err := s.value(q, right)
		if err != nil {
			return err
		}
		if a.values[q] == nil {
			a.layout = nil
		}
		a.values[q] = v
	}
	return nil
}

// cmpErr returns the first error.
func cmpErr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// value reads a stage, yes, no, absent, undefined, implausible, a number, or a number that drifts, as in 20+0.5/h.
func (s *story) value(q fleet.Quantity, word string) (*value, error) {
	v := &value{quality: fleet.Good, since: s.now}
	switch word {
	case "absent":
		v.quality = fleet.Absent
		return v, nil
	case "undefined":
		v.quality = fleet.Undefined
		return v, nil
	case "implausible":
		v.quality = fleet.Implausible
		return v, nil
	case "yes":
		v.number = 1
		return v, nil
	case "no":
		return v, nil
	}
	if q == fleet.QuantityStage {
		stage, ok := fleet.ParseStage(word)
		if !ok {
			return nil, fmt.Errorf("which stage is %q?", word)
		}
		v.number = float64(stage)
		return v, nil
	}
	if rest, ok := strings.CutSuffix(word, "/h"); ok {
		i := strings.LastIndexAny(rest, "+-")
		drift, err := strconv.ParseFloat(rest[max(i, 0):], 64)
		if err != nil {
			return nil, err
		}
		v.perHour, word = drift, rest[:i]
	}
	n, err := number(word)
	v.number = n
	return v, err
}

func number(word string) (float64, error) {
	if rest, ok := strings.CutSuffix(word, "%"); ok {
		n, err := strconv.ParseFloat(rest, 64)
		return n / 100, err
	}
	return strconv.ParseFloat(strings.TrimSuffix(word, "s"), 64)
}

// frame returns what a poll of this second gives.
func (s *story) frame(a *actor) fleet.Frame {
	f := fleet.Frame{Controller: a.id, Group: fleet.Fast, At: epoch.Add(s.now), Outcome: fleet.Answered}
	if a.mute {
		f.Outcome = a.how
		return f
	}
	if a.layout == nil {
		a.layout = s.layout(a)
	}
	f.Layout = a.layout
	if a.frozen != nil {
		f.Values = a.frozen
		return f
	}
	f.Values = make([]fleet.Value, len(a.layout.Points))
	for i := range a.layout.Points {
		f.Values[i] = s.read(a, &a.layout.Points[i])
	}
	return f
}

// layout is a register map's: 16-bit counters, temperatures in tenths or, if the story says coarse, in whole degrees.
func (s *story) layout(a *actor) *fleet.Layout {
	var points []fleet.Point
	add := func(q fleet.Quantity, bits uint8, div float64, form fleet.Form) {
		points = append(points, fleet.Point{Name: q.String(), Quantity: q, Unit: q.Unit(), Bits: bits, Mul: 1, Div: div, Form: form, Counter: q.Counter()})
	}
	for _, q := range fleet.AllQuantities() {
		if a.values[q] == nil {
			continue
		}
		div, form := 1.0, fleet.FormUnsigned
		if u := q.Unit(); u == fleet.Volt || u == fleet.Ampere {
			div, form = 100, fleet.FormSigned
		}
		if q == fleet.BatteryTemperature || q == fleet.InternalTemperature {
			form = fleet.FormSigned
			if !s.coarse {
				div = 10
			}
		}
		add(q, 16, div, form)
		if q == fleet.Faults {
			points[len(points)-1].Flags = []fleet.Name{{Code: 3, Word: fleet.GroundFault}, {Code: 1, Word: "over-temperature"}}
		}
	}
	if a.from != nil {
		switch s.links {
		case "counters":
			add(fleet.LinkGood, 16, 1, fleet.FormUnsigned)
			add(fleet.LinkBad, 16, 1, fleet.FormUnsigned)
		case "flag":
			add(fleet.LinkOK, 1, 1, fleet.FormUnsigned)
		case "age":
			add(fleet.LinkAge, 16, 1, fleet.FormUnsigned)
		}
	}
	if s.uptime {
		add(fleet.Uptime, 32, 1, fleet.FormUnsigned)
	}
	return fleet.NewLayout(points)
}

func (s *story) read(a *actor, p *fleet.Point) fleet.Value {
	raw := func(n uint64) fleet.Value {
		return fleet.Value{Raw: n, Number: p.Number(n), Quality: fleet.Good}
	}
	switch p.Quantity {
	case fleet.LinkGood:
		return raw(a.cable.good & 0xffff)
	case fleet.LinkBad:
		return raw(a.cable.junk & 0xffff)
	case fleet.LinkOK:
		if a.cable.fine {
			return raw(1)
		}
		return raw(0)
	case fleet.LinkAge:
		return raw(uint64((s.now - a.cable.heard) / time.Second))
	case fleet.Uptime:
		return raw(uint64((s.now - a.booted) / time.Second))
	}
	v := a.values[p.Quantity]
	if v.quality != fleet.Good {
		return fleet.Value{Quality: v.quality}
	}
	n := v.number + v.perHour*(s.now-v.since).Hours()
	if p.Quantity == fleet.Faults {
		return raw(uint64(n)<<3 | 1<<1) // another fault stands all the time
	}
	return raw(uint64(int64(math.Round(n * p.Div))))
}
