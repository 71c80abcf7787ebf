package userfile

import (
	"strings"

	"gopkg.in/yaml.v3"
)

// A Mapping is a YAML mapping whose keys have been checked against the known ones.
type Mapping struct {
	Node   *yaml.Node
	doc    *Document
	what   string
	values map[string]Entry
	order  []Entry
}

// An Entry is one key of a mapping with its value.
type Entry struct {
	Key   string
	Name  *yaml.Node // the key's own place
	Value *yaml.Node
}

// Mapping reads a mapping that may have the known keys and no others. What names it in messages, as in "the bank".
func (d *Document) Mapping(n *yaml.Node, what string, known ...string) (*Mapping, bool) {
	m, ok := d.Entries(n, what)
	if !ok {
		return m, false
	}
	for _, e := range m.order {
		if !contains(known, e.Key) {
			d.Faultf(e.Name, "unknown key %q in %s%s", e.Key, what, hint(e.Key, known))
		}
	}
	return m, true
}

// Entries reads a mapping whose keys the user chooses. A key that is doubled keeps its first value.
func (d *Document) Entries(n *yaml.Node, what string) (*Mapping, bool) {
	n = resolve(n)
	m := &Mapping{Node: n, doc: d, what: what, values: map[string]Entry{}}
	if n.Kind != yaml.MappingNode {
		d.Faultf(n, "%s must be a mapping (key: value), not %s", what, describe(n))
		return m, false
	}
	if !d.spend(n) {
		return m, false
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		switch {
		case key.Tag == "!!merge":
			d.Faultf(key, "merge keys (<<) are not read; write the keys out")
			continue
		case key.Kind != yaml.ScalarNode:
			d.Faultf(key, "a key of %s must be a word, not %s", what, describe(key))
			continue
		}
		if first, ok := m.values[key.Value]; ok {
			d.Faultf(key, "%q stands in %s twice (first in line %d)", key.Value, what, first.Name.Line)
			continue
		}
		e := Entry{Key: key.Value, Name: key, Value: resolve(value)}
		m.values[key.Value] = e
		m.order = append(m.order, e)
	}
	return m, true
}

// All returns the entries in the order of the file.
func (m *Mapping) All() []Entry { return m.order }

// Get returns the value of a key if it is there. An empty value counts as a fault, and as not there.
func (m *Mapping) Get(key string) (*yaml.Node, bool) {
	e, ok := m.values[key]
	if !ok {
		return nil, false
	}
	if e.Value.Kind == yaml.ScalarNode && e.Value.Tag == "!!null" {
		m.doc.Faultf(e.Name, "%s has no value; give it one or leave it out", key)
		delete(m.values, key)
		return nil, false
	}
	return e.Value, true
}

// Need is Get for a key that must be there.
func (m *Mapping) Need(key, why string) (*yaml.Node, bool) {
	if _, ok := m.values[key]; !ok {
		m.doc.Faultf(m.Node, "%s has no %s; %s", m.what, key, why)
		return nil, false
	}
	return m.Get(key)
}

// Has reports whether the key is there, with whatever value.
func (m *Mapping) Has(key string) bool { _, ok := m.values[key]; return ok }

// Sequence reads a list.
func (d *Document) Sequence(n *yaml.Node, what string) ([]*yaml.Node, bool) {
	n = resolve(n)
	if n.Kind != yaml.SequenceNode {
		d.Faultf(n, "%s must be a list ([a, b] or lines with -), not %s", what, describe(n))
		return nil, false
	}
	if !d.spend(n) {
		return nil, false
	}
	items := make([]*yaml.Node, len(n.Content))
	for i, item := range n.Content {
		items[i] = resolve(item)
	}
	return items, true
}

// spend counts the parts of a mapping or list, and refuses to go on when aliases have made them too many.
func (d *Document) spend(n *yaml.Node) bool {
	before := d.nodes
	d.nodes += len(n.Content)
	if d.nodes > maxNodes && before <= maxNodes {
		d.Faultf(n, "with all that its aliases repeat, the file has more than %d parts; reading stops here", maxNodes)
	}
	return d.nodes <= maxNodes
}

func resolve(n *yaml.Node) *yaml.Node {
	for n.Kind == yaml.AliasNode && n.Alias != nil {
		n = n.Alias
	}
	return n
}

func describe(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	}
	if n.Tag == "!!null" {
		return "nothing"
	}
	return quote(n.Value)
}

// quote quotes a short piece of the file for a message. Messages go into logs, so a key or secret that somebody pasted does not.
func quote(s string) string {
	if strings.Contains(s, "-----BEGIN") {
		return "PEM text"
	}
	if strings.Contains(s, "whsec_") {
		return "a secret"
	}
	if len(s) > 60 {
		s = strings.ToValidUTF8(s[:57], "") + "..."
	}
	return `"` + strings.ReplaceAll(s, "\n", `\n`) + `"`
}

func contains(words []string, w string) bool {
	for _, k := range words {
		if k == w {
			return true
		}
	}
	return false
}
