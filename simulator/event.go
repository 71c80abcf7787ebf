package simulator

import (
	"cmp"
	"slices"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// paramReaders read the parameters of faults. Ranges that depend on the place are checked when the fault is set.
var paramReaders = map[string]func(*scenarioParser, *yaml.Node, *Fault){
	"by": func(p *scenarioParser, n *yaml.Node, f *Fault) {
		if f.Kind == WrongSetpoint {
			f.By, _ = fleet.Amount(p.Document, n, "by", fleet.Volt, "-500 V", "500 V", "2.5 V")
		} else {
			f.By, _ = fleet.Amount(p.Document, n, "by", fleet.Celsius, "-100 °C", "100 °C", "10 °C")
		}
	},
	"share": func(p *scenarioParser, n *yaml.Node, f *Fault) {
		f.Share, _ = fleet.Amount(p.Document, n, "share", fleet.Ratio, "0.01 %", "100 %", "20 %")
	},
	"burst": func(p *scenarioParser, n *yaml.Node, f *Fault) {
		f.Burst, _ = p.Duration(n, "burst", step, longestEvent)
	},
	"gap": func(p *scenarioParser, n *yaml.Node, f *Fault) { f.Gap, _ = p.Duration(n, "gap", step, longestEvent) },
	"delay": func(p *scenarioParser, n *yaml.Node, f *Fault) {
		f.Delay, _ = p.Duration(n, "delay", time.Millisecond, time.Minute)
	},
	"setpoint": func(p *scenarioParser, n *yaml.Node, f *Fault) {
		f.Setpoint, _ = p.Word(n, "setpoint", setpointWords...)
	},
	"like":  func(p *scenarioParser, n *yaml.Node, f *Fault) { f.Like, _ = p.Text(n, "like") },
	"point": func(p *scenarioParser, n *yaml.Node, f *Fault) { f.Point, _ = p.Text(n, "point") },
}

var eventKeys = []string{"at", "for", "until", "fault", "on"}

// paramWords lists the parameters, in a fixed order.
func paramWords() []string {
	words := make([]string, 0, len(paramReaders))
	for w := range paramReaders {
		words = append(words, w)
	}
	slices.Sort(words)
	return words
}

func (p *scenarioParser) event(n *yaml.Node) {
	m, ok := p.Mapping(n, "an event", append(paramWords(), eventKeys...)...)
	if !ok {
		return
	}
	e := Event{line: n.Line, col: n.Column}
	if n, ok := m.Need("at", "say when it begins, counted from the start, such as \"at: 5m\""); ok {
		e.At, _ = p.Duration(n, "at", 0, longestEvent)
	}
	p.end(m, &e)
	if n, ok := m.Need("on", "name the link, controller or site"); ok {
		s, _ := p.Text(n, "on")
		e.On = fleet.Subject(s)
		e.line, e.col = n.Line, n.Column
	}
	if n, ok := m.Need("fault", "say what goes wrong"); ok {
		word, ok := p.Word(n, "fault", faultWords()...)
		e.Kind = FaultKind(word)
		if ok {
			p.params(m, &e.Fault)
		}
	}
	p.s.Events = append(p.s.Events, e)
}

// end reads when an event ends.
func (p *scenarioParser) end(m *userfile.Mapping, e *Event) {
	n, lasts := m.Get("for")
	if lasts {
		if d, ok := p.Duration(n, "for", step, longestEvent); ok {
			e.Until = e.At + d
		}
	}
	n, ends := m.Get("until")
	if !ends {
		return
	}
	if lasts {
		p.Faultf(n, "an event has either for or until")
		return
	}
	if d, ok := p.Duration(n, "until", step, longestEvent); ok {
		if d <= e.At {
			p.Faultf(n, "until is %s; it must be later than at, which is %s", n.Value, e.At)
		}
		e.Until = d
	}
}

// params reads the parameters that the fault has, and refuses the others.
func (p *scenarioParser) params(m *userfile.Mapping, f *Fault) {
	k := kindNamed(f.Kind)
	for _, e := range m.All() {
		read := paramReaders[e.Key]
		if read == nil {
			continue
		}
		if !slices.Contains(k.params, e.Key) {
			p.Faultf(e.Name, "%s has no %s%s", f.Kind, e.Key, cmp.Or(paramHint(k.params), "; it has no parameters"))
			continue
		}
		if n, ok := m.Get(e.Key); ok {
			read(p, n, f)
		}
	}
	for _, needed := range []string{"like", "point"} {
		if slices.Contains(k.params, needed) && !m.Has(needed) {
			p.Faultf(m.Node, "%s has no %s; say which", f.Kind, needed)
		}
	}
}

func paramHint(params []string) string { return userfile.Hint("", params) }
