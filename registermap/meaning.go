package registermap

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
)

// A meaning says what a point's bits stand for, and so which keys make sense.
type meaning uint8

const (
	meansNothing meaning = iota // not known, after a fault
	meansNumber
	meansStage
	meansCode // named values that are no stage
	meansFlags
	meansTruth
	meansText
)

var meaningWords = [...]string{"nothing", "a number", "a stage", "named values", "flags", "a flag", "a text"}

// needless lists the keys that have no meaning for a meaning, and those only that somebody might try.
var needless = map[meaning][]string{
	meansNumber: {"values", "flags"},
	meansStage:  {"flags", "unit", "scale", "offset", "scale_from", "plausible", "counter"},
	meansCode:   {"flags", "unit", "scale", "offset", "scale_from", "plausible", "counter"},
	meansFlags:  {"values", "unit", "scale", "offset", "scale_from", "plausible", "counter"},
	meansTruth:  {"values", "flags", "unit", "scale_from", "plausible", "counter"},
	meansText:   {"values", "flags", "unit", "scale", "offset", "scale_from", "plausible", "counter", "absent"},
}

// readMeaning finds out what the point's bits stand for: the quantity says, or else the type and the keys.
func (d *draft) readMeaning() {
	if _, ok := d.get("quantity"); ok && d.Quantity == fleet.QuantityNone {
		return // an unknown quantity: whatever is said now may be wrong
	}
	text := d.Type == Text
	switch shape := d.Quantity.Shape(); {
	case shape == fleet.ShapeStage:
		d.meaning = meansStage
	case shape == fleet.ShapeFlags:
		d.meaning = meansFlags
	case shape == fleet.ShapeTruth:
		d.meaning = meansTruth
	case text && (shape == fleet.ShapeText || d.Quantity == fleet.QuantityNone):
		d.meaning = meansText
	case d.Quantity != fleet.QuantityNone:
		d.meaning = meansNumber
	case d.keys.Has("values"):
		d.meaning = meansCode
	case d.keys.Has("flags"):
		d.meaning = meansFlags
	case d.Type == Bit:
		d.meaning = meansTruth
	default:
		d.meaning = meansNumber
	}
}

// checkMeaning holds the type and the keys against the meaning.
func (d *draft) checkMeaning() {
	if d.meaning == meansNothing || !d.sized {
		return
	}
	d.checkType()
	for _, key := range needless[d.meaning] {
		if n, ok := d.get(key); ok {
			d.faultf(n, "%s has no meaning for %s%s", key, meaningWords[d.meaning], d.because())
		}
	}
}

func (d *draft) because() string {
	if d.Quantity == fleet.QuantityNone || d.Quantity == fleet.QuantityStage {
		return ""
	}
	return fmt.Sprintf(", which %s is", d.Quantity)
}

func (d *draft) checkType() {
	bad := false
	switch d.meaning {
	case meansStage, meansCode:
		bad = !d.Type.whole()
	case meansFlags:
		bad = !slices.Contains([]Type{Bit, U16, U32, U64}, d.Type)
	case meansTruth:
		bad = d.Type == Text
	case meansNumber:
		bad = d.Type == Text || d.Type == Bit && d.Quantity.Shape() == fleet.ShapeNumber && d.Quantity != fleet.QuantityNone
	}
	if !bad {
		return
	}
	n, ok := d.get("type")
	if !ok {
		n = d.keysAt("at")
	}
	d.faultf(n, "type %s cannot hold %s%s", d.Type, meaningWords[d.meaning], d.because())
	d.sized = false
}

// readNames reads what codes or bits mean.
func (d *draft) readNames() {
	switch d.meaning {
	case meansStage, meansCode:
		d.readValues()
	case meansFlags:
		d.readFlags()
	}
}

func (d *draft) readValues() {
	n, ok := d.get("values")
	if !ok {
		if !d.keys.Has("values") {
			d.p.Faultf(d.name, "%s has no values; say which code is which stage, such as \"values: {0: off, 3: bulk}\"", d.Name)
		}
		return
	}
	m, ok := d.p.Entries(n, d.of("values"))
	switch count := len(m.All()); {
	case ok && count == 0:
		d.faultf(n, "values is empty; name one code at least")
	case count > MaxNames:
		d.faultf(n, "values names %d codes; at most %d are read", count, MaxNames)
		return
	}
	lines := map[uint64]int{}
	for _, e := range m.All() {
		word, ok := d.readWord(e.Value)
		raw, ok2 := d.code(e.Name, "a code")
		if !ok || !ok2 {
			continue
		}
		if line, twice := lines[raw]; twice {
			d.faultf(e.Name, "code %s is named twice (first in line %d)", e.Key, line)
			continue
		}
		lines[raw] = e.Name.Line
		d.Names = append(d.Names, fleet.Name{Code: raw, Word: word})
	}
}

// readWord reads the name of a code: a stage, or any word where the point is no stage.
func (d *draft) readWord(n *yaml.Node) (string, bool) {
	if d.meaning == meansStage {
		return d.p.Word(n, "stage", stageWords()...)
	}
	return d.readFreeWord(n)
}

var word = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

const maxWord = 63

func (d *draft) readFreeWord(n *yaml.Node) (string, bool) {
	s, ok := d.p.Text(n, "a word of "+d.Name)
	if ok && (!word.MatchString(s) || len(s) > maxWord) {
		hint := strings.Trim(strings.ReplaceAll(suggestName("x_"+s), "_", "-")[min(1, len(s)):], "-")
		if !word.MatchString(hint) {
			hint = "over-temperature"
		}
		d.faultf(n, "a word is made of a to z, 0 to 9 and single hyphens, unlike %q; write it like %q", s, hint)
		return "", false
	}
	return s, ok
}

func (d *draft) readFlags() {
	n, ok := d.get("flags")
	if !ok {
		if !d.keys.Has("flags") {
			d.p.Faultf(d.name, "%s has no flags; say what its bits mean, such as \"flags: {0: %s}\"", d.Name, fleet.GroundFault)
		}
		return
	}
	m, ok := d.p.Entries(n, d.of("flags"))
	if ok && len(m.All()) == 0 {
		d.faultf(n, "flags is empty; name one bit at least")
	}
	for _, e := range m.All() {
		bit, ok := d.p.Integer(e.Name, "a flag's bit", 0, 63)
		word, ok2 := d.readFreeWord(e.Value)
		if !ok || !ok2 {
			continue
		}
		d.addFlag(e.Name, e.Value, uint64(bit), word)
	}
}

func (d *draft) addFlag(at, wordAt *yaml.Node, bit uint64, word string) {
	if d.sized && bit >= uint64(d.Bits) {
		d.faultf(at, "there is no bit %d; the value has bits 0 to %d", bit, d.Bits-1)
		return
	}
	for _, f := range d.Flags {
		if f.Code == bit {
			d.faultf(at, "bit %d is named twice", bit)
			return
		}
	}
	if almostGroundFault(word) {
		d.faultf(wordAt, "%q is almost %q, which is what alarms look for; write it that way", word, fleet.GroundFault)
	}
	d.Flags = append(d.Flags, fleet.Name{Code: bit, Word: word})
}

// almostGroundFault reports whether a word is the one that alarms look for but for hyphens and a plural: a slip that
// would leave ground faults unseen.
func almostGroundFault(word string) bool {
	plain := func(s string) string { return strings.TrimSuffix(strings.ReplaceAll(s, "-", ""), "s") }
	return word != fleet.GroundFault && plain(word) == plain(fleet.GroundFault)
}
