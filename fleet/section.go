package fleet

import (
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// A section is one mapping of the fleet file, read through its table of keys. Each reader returns ok only if the key
// is there and its value is good; what is wrong has been reported.
type section struct {
	doc  *userfile.Document
	keys keys
	what string // in messages, as in `controller "Alder"`
	m    *userfile.Mapping
}

// open reports unknown and missing keys. Its section can be read from even where ok is false.
func open(d *userfile.Document, n *yaml.Node, what string, k keys) (s *section, ok bool) {
	m, ok := d.Mapping(n, what, k.names()...)
	s = &section{doc: d, keys: k, what: what, m: m}
	if !ok {
		return s, false
	}
	for i := range k {
		if k[i].need != "" {
			m.Need(k[i].name, k[i].need)
		}
	}
	return s, true
}

// titled names a mapping in messages by its kind and the name in it, as in `site "Fernhollow Mill"`.
func titled(kind string, n *yaml.Node) string {
	if n.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(n.Content); i += 2 {
			if v := n.Content[i+1]; n.Content[i].Value == "name" && v.Kind == yaml.ScalarNode && len(v.Value) < 60 {
				return kind + " " + quoted(v.Value)
			}
		}
	}
	return "a " + kind
}

// at returns the place of a key's value, or of the whole mapping where the key is not there.
func (s *section) at(name string) *yaml.Node {
	if n, ok := s.m.Get(name); ok {
		return n
	}
	return s.m.Node
}

func (s *section) text(name string) (string, bool) {
	n, ok := s.m.Get(name)
	if !ok {
		return "", false
	}
	return s.doc.Text(n, name)
}

func (s *section) truth(name string) bool {
	n, ok := s.m.Get(name)
	if !ok {
		return false
	}
	v, ok := s.doc.Truth(n, name)
	return ok && v
}

func (s *section) whole(name string) (int, bool) {
	f := s.keys.form(name).(wholeForm)
	n, ok := s.m.Get(name)
	if !ok {
		return 0, false
	}
	v, ok := s.doc.Integer(n, name, f.min, f.max)
	return int(v), ok
}

func (s *section) span(name string) (time.Duration, bool) {
	f := s.keys.form(name).(spanForm)
	n, ok := s.m.Get(name)
	if !ok {
		return 0, false
	}
	return s.doc.Duration(n, name, f.min, f.max)
}

func (s *section) word(name string) (string, bool) {
	f := s.keys.form(name).(wordForm)
	n, ok := s.m.Get(name)
	if !ok {
		return "", false
	}
	return s.doc.Word(n, name, f.words...)
}

func (s *section) amount(name string) (float64, bool) {
	f := s.keys.form(name).(amountForm)
	n, ok := s.m.Get(name)
	if !ok {
		return 0, false
	}
	return amount(s.doc, n, name, f)
}

// list returns the items of a list; one that must be there must not be empty.
func (s *section) list(name string) []*yaml.Node {
	n, ok := s.m.Get(name)
	if !ok {
		return nil
	}
	items, ok := s.doc.Sequence(n, name)
	if ok && len(items) == 0 && name != "rules" {
		s.doc.Faultf(n, "%s is empty; list at least one", name)
	}
	return items
}

// part opens the mapping under a key.
func (s *section) part(name, what string) (*section, bool) {
	f := s.keys.form(name).(partForm)
	n, ok := s.m.Get(name)
	if !ok {
		return nil, false
	}
	return open(s.doc, n, what, f.of)
}
