package registermap

import (
	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// A key is one key of the file format: the parser, the schema and the tests of FORMAT.md all go by these tables.
type key struct {
	name   string
	about  string                // for people who hover over it in an editor
	need   string                // why it cannot be left out; empty: it can
	schema func() map[string]any // what its value may be
	read   func(*parser, *yaml.Node)
}

// Keys are read in this order, not in the file's: points need to know the numbering and the word order.
var mapKeys = []key{
	{"format", "version of the file format", "write \"format: 1\"", func() map[string]any { return obj{"const": 1} }, func(*parser, *yaml.Node) {}},
	{"model", "the device as people call it", "say which device the map is for, in any words", textSchema(maxModel), (*parser).model},
	{"numbering", "address: 0-based, as on the wire; register: 1-based, as in many manuals", "", enum(numberingWords), (*parser).numbering},
	{"reads", "what requests the device wants", "", func() map[string]any { return objectSchema(readsKeys) }, (*parser).reads},
	{"words", "order of the registers of 32- and 64-bit values: big ABCD, little DCBA, swapped CDAB, byteswapped BADC", "", enum(orderWords[:]), (*parser).words},
	{"points", "what can be read, by name", "list what can be read", pointsSchema, (*parser).points},
}

var readsKeys = []key{
	{"longest", "registers per request", "", whole(1, MaxRegisters), (*parser).longest},
	{"longest_bits", "coils or discrete inputs per request", "", whole(1, MaxBits), (*parser).longestBits},
	{"bridge", "unread registers that are cheaper to read through than to split at", "", whole(0, MaxRegisters), (*parser).bridge},
	{"pause", "silence the device wants between requests", "", durationSchema, (*parser).pause},
	{"forbidden", "ranges that must not be touched, such as 300-319 or \"input 300-319\"", "", rangesSchema, (*parser).forbidden},
}

// A point's keys hang together, so [draft.read] reads them itself.
var pointKeys = []key{
	{"at", "table and address, such as \"holding 16\"", "say where the value lives, such as \"at: holding 16\"", atSchema, nil},
	{"type", "how the registers hold the value", "", enum(typeWords), nil},
	{"bits", "the bits of the value that count, highest first, such as 15-8, or one bit", "", bitsSchema, nil},
	{"length", "registers of a text", "", whole(1, MaxRegisters), nil},
	{"words", "order of this point's registers, where it differs from the map's; of a text: big or byteswapped", "", enum(orderWords[:]), nil},
	{"quantity", "what the value is of", "", quantitySchema, nil},
	{"unit", "unit of the scaled value", "", unitSchema, nil},
	{"scale", "the value is raw x scale + offset", "", numberSchema, nil},
	{"offset", "the value is raw x scale + offset, in the point's unit", "", numberSchema, nil},
	{"scale_from", "point that holds a power of ten for this one, from -10 to 10", "", nameSchema, nil},
	{"plausible", "lowest and highest value to be believed, in the point's unit", "", plausibleSchema, nil},
	{"absent", "raw value, or a list of them, that means: no value", "", absentSchema, nil},
	{"counter", "the value only grows, until it wraps or the device restarts", "", boolSchema, nil},
	{"values", "what each code means; for the stage: " + stageList(), "", valuesSchema, nil},
	{"flags", "what each bit means, bit 0 the least significant", "", flagsSchema, nil},
	{"poll", "how often it is read; the fleet file says how often that is", "", enum(groupWords()), nil},
}

func names(keys []key) []string {
	all := make([]string, len(keys))
	for i, k := range keys {
		all[i] = k.name
	}
	return all
}

// read hands each value that is there to its reader, in the order of the table, and misses those that are needed.
func (p *parser) read(m *userfile.Mapping, keys []key) {
	for _, k := range keys {
		n, ok := m.Get(k.name)
		if !ok && k.need != "" {
			n, ok = m.Need(k.name, k.need)
		}
		if ok {
			k.read(p, n)
		}
	}
}
