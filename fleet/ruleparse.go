package fleet

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// rules reads the list of rules. It needs all sites to have been read.
func (p *parser) rules(file *section) {
	var before []*setRule
	for _, n := range file.list("rules") {
		s, ok := open(p.doc, n, "a rule", ruleKeys)
		if !ok {
			continue
		}
		if r, ok := p.rule(s); ok {
			p.checkEclipsed(before, r)
			p.checkBelow(before, r)
			before = append(before, r)
			p.fleet.Rules = append(p.fleet.Rules, r.Rule)
		}
	}
}

// A setRule is a rule with the place of each thing it sets.
type setRule struct {
	Rule
	places map[string]*yaml.Node
}

func (p *parser) rule(s *section) (*setRule, bool) {
	r := &setRule{places: map[string]*yaml.Node{}}
	word, ok := s.text("kind")
	if !ok {
		return nil, false
	}
	i := slices.IndexFunc(p.kinds, func(k KindInfo) bool { return string(k.Kind) == word })
	if i < 0 {
		s.doc.Faultf(s.at("kind"), "unknown kind of alarm %s%s", quoted(word), userfile.Hint(word, kindNames(p.kinds)))
		return nil, false
	}
	kind := p.kinds[i]
	r.Kind = kind.Kind
	at, placed := s.text("at")
	if placed {
		r.At = Subject(at)
		p.checkAt(s, kind, r.At)
	}
	s.settings(kind, r)
	if len(s.m.All()) == 1 || len(s.m.All()) == 2 && s.m.Has("at") {
		s.doc.Faultf(s.m.Node, "the rule for %s changes nothing; give it disabled, priority, on_delay, off_delay or thresholds", kind.Kind)
	}
	if r.Disabled != nil && *r.Disabled && len(r.places) > 1 {
		s.doc.Faultf(r.places["disabled"], "the rule disables %s and sets %s of it as well, which would never count; leave out one of them",
			kind.Kind, strings.Join(slices.DeleteFunc(sortedKeys(r.places), func(name string) bool { return name == "disabled" }), ", "))
	}
	return r, placed || !s.m.Has("at") // where one holds whose place cannot be read, nobody knows
}

func (s *section) settings(kind KindInfo, r *setRule) {
	if s.m.Has("disabled") {
		v := s.truth("disabled")
		r.Disabled = &v
	}
	if word, ok := s.word("priority"); ok {
		v, _ := ParsePriority(word)
		r.Priority = &v
	}
	for name, to := range map[string]**time.Duration{"on_delay": &r.OnDelay, "off_delay": &r.OffDelay} {
		if v, ok := s.span(name); ok {
			*to = &v
		}
	}
	for _, name := range []string{"disabled", "priority", "on_delay", "off_delay"} {
		if n, ok := s.m.Get(name); ok {
			r.places[name] = n
		}
	}
	if n, ok := s.m.Get("thresholds"); ok {
		s.thresholds(n, kind, r)
	}
}

func (s *section) thresholds(n *yaml.Node, kind KindInfo, r *setRule) {
	var names []string
	for _, t := range kind.Thresholds {
		names = append(names, t.Name)
	}
	if len(names) == 0 {
		s.doc.Faultf(n, "%s has no thresholds", kind.Kind)
		return
	}
	m, _ := s.doc.Mapping(n, "thresholds of "+string(kind.Kind), names...)
	for _, t := range kind.Thresholds {
		n, ok := m.Get(t.Name)
		if !ok {
			continue
		}
		if v, ok := threshold(s.doc, n, t); ok {
			if r.Thresholds == nil {
				r.Thresholds = map[string]float64{}
			}
			r.Thresholds[t.Name] = v
			r.places[t.Name] = n
		}
	}
}

// threshold reads one number of a detector.
func threshold(d *userfile.Document, n *yaml.Node, t Threshold) (float64, bool) {
	switch t.Unit {
	case Plain:
		return d.Number(n, t.Name, t.Min, t.Max)
	case Second: // time is written in one way throughout the file
		v, ok := d.Duration(n, t.Name, seconds(t.Min), seconds(t.Max))
		return v.Seconds(), ok
	}
	r, ok := readAmount(d, n, t.Name, t.Unit, example(t))
	if !ok {
		return 0, false
	}
	v := toFloat(r)
	if v < t.Min || v > t.Max {
		d.Faultf(n, "%s is %s; it must be from %s to %s", t.Name, n.Value, t.Unit.write(t.Min), t.Unit.write(t.Max))
		return 0, false
	}
	return v, true
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

func example(t Threshold) string { return t.Unit.write(t.Default) }

// write writes an amount as a person would in a file.
func (u Unit) write(v float64) string {
	switch u {
	case Ratio:
		return fmt.Sprintf("%g %%", v*100)
	case Second:
		return userfile.Span(seconds(v))
	case Plain:
		return fmt.Sprintf("%g", v)
	}
	return fmt.Sprintf("%g %s", v, u)
}

func kindNames(kinds []KindInfo) []string {
	names := make([]string, len(kinds))
	for i := range kinds {
		names[i] = string(kinds[i].Kind)
	}
	return names
}

// holds says inside which parts of a fleet the subject of an alarm can be.
var holds = map[string][]string{
	"site": {"site"}, "ring": {"site", "ring"},
	"controller": {"site", "ring", "controller"}, "link": {"site", "ring", "link"},
}

func (p *parser) checkAt(s *section, kind KindInfo, at Subject) {
	if len(holds[kind.Subject]) == 0 {
		s.doc.Faultf(s.at("at"), "%s is about this program's own store, which is at no place of the fleet; leave at out", kind.Kind)
		return
	}
	depth, ok := p.depth[at]
	if !ok && p.nameless {
		return
	}
	if !ok {
		var known []string
		for id, d := range p.depth {
			if slices.Contains(holds[kind.Subject], d) {
				known = append(known, string(id))
			}
		}
		slices.Sort(known)
		s.doc.Faultf(s.at("at"), "at %s names nothing in this file%s", quoted(string(at)), userfile.Hint(string(at), known))
		return
	}
	if !slices.Contains(holds[kind.Subject], depth) {
		s.doc.Faultf(s.at("at"), "at %s is a %s, and %s is raised on a %s; name the %s itself or what it is in",
			quoted(string(at)), depth, kind.Kind, kind.Subject, kind.Subject)
	}
}

// checkEclipsed reports a setting of an earlier rule that this one overrides everywhere, which nobody can have meant.
func (p *parser) checkEclipsed(before []*setRule, r *setRule) {
	for _, b := range before {
		if b.Kind != r.Kind || !b.At.Inside(r.At) {
			continue
		}
		for _, name := range sortedKeys(r.places) {
			first, ok := b.places[name]
			switch {
			case !ok:
			case b.At == r.At:
				p.doc.Faultf(r.places[name], "%s of %s is already set in line %d for the same place; keep one of them", name, r.Kind, first.Line)
			default:
				p.doc.Faultf(first, "%s of %s is overridden by the later, wider rule in line %d; put the wider rule first", name, r.Kind, r.places[name].Line)
			}
		}
	}
}

// checkBelow reports a threshold that is not below the one that it must stay below, with what holds at the rule's place.
func (p *parser) checkBelow(before []*setRule, r *setRule) {
	kind := p.kinds[slices.IndexFunc(p.kinds, func(k KindInfo) bool { return k.Kind == r.Kind })]
	for _, t := range kind.Thresholds {
		if t.Below == "" || r.places[t.Name] == nil && r.places[t.Below] == nil {
			continue
		}
		low, place := effective(&kind, t.Name, before, r)
		high, other := effective(&kind, t.Below, before, r)
		if low < high {
			continue
		}
		where := "as it is by default"
		switch {
		case place == nil:
			place = r.places[t.Below]
		case other != nil && other != place:
			where = fmt.Sprintf("as in line %d", other.Line)
		}
		p.doc.Faultf(place, "%s of %s must be below %s, and they are %s and %s (%s)", t.Name, r.Kind, t.Below, t.Unit.write(low), t.Unit.write(high), where)
	}
}

// effective returns a threshold as it is where a rule holds, and the place that sets it; nil: none does.
func effective(kind *KindInfo, name string, before []*setRule, r *setRule) (value float64, place *yaml.Node) {
	for _, t := range kind.Thresholds {
		if t.Name == name {
			value = t.Default
		}
	}
	for _, b := range append(before[:len(before):len(before)], r) {
		if v, ok := b.Thresholds[name]; ok && b.Kind == r.Kind && r.At.Inside(b.At) {
			value, place = v, b.places[name]
		}
	}
	return value, place
}

func sortedKeys(m map[string]*yaml.Node) []string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
