package registermap

import (
	"fmt"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// A draft is a point while its entry is read. Each step needs what the ones before found out; a step whose ground is
// missing says nothing, so that one mistake is reported once.
type draft struct {
	Point
	p       *parser
	name    *yaml.Node
	keys    *userfile.Mapping
	placed  bool // Table and Address are known
	sized   bool // Type and Length are known
	meaning meaning
	scaled  scaling
	scaler  *draft // that ScaledBy names
	polled  bool   // the entry has its own poll group
}

func (d *draft) read(n *yaml.Node) {
	d.Name, d.Line = d.name.Value, d.name.Line
	d.Mul, d.Div, d.Lowest, d.Highest = 1, 1, math.Inf(-1), math.Inf(1)
	d.Order = d.p.order
	d.readName()
	keys, ok := d.p.Mapping(n, d.Name, names(pointKeys)...)
	if d.keys = keys; !ok {
		return
	}
	d.readAt()
	d.readType()
	d.readField()
	d.readWords()
	d.checkPlace()
	d.readQuantity()
	d.readMeaning()
	d.checkMeaning()
	d.readScaling()
	d.readAbsent()
	d.readNames()
	d.readCounter()
	d.readPoll()
}

// get returns the value of a key if it is there.
func (d *draft) get(key string) (*yaml.Node, bool) { return d.keys.Get(key) }

// of names a key of this point in messages.
func (d *draft) of(key string) string { return key + " of " + d.Name }

func (d *draft) faultf(n *yaml.Node, format string, args ...any) {
	d.p.Faultf(n, "%s: %s", d.Name, fmt.Sprintf(format, args...))
}

func (d *draft) readName() {
	if pointName.MatchString(d.Name) {
		return
	}
	hint := ""
	if s := suggestName(d.Name); s != "" {
		hint = fmt.Sprintf("; did you mean %q?", s)
	}
	d.p.Faultf(d.name, "a point's name is made of a to z, 0 to 9 and _, begins with a letter and has at most 63 characters, unlike %q%s",
		d.Name, hint)
}

var placePattern = regexp.MustCompile(`^([A-Za-z_]+)? *(0x[0-9a-fA-F]+|[0-9]+)$`)

func (d *draft) readAt() {
	n, ok := d.keys.Need("at", "say where it lives, such as \"at: holding 16\"")
	if !ok {
		return
	}
	text, ok := d.p.Text(n, d.of("at"))
	if !ok {
		return
	}
	m := placePattern.FindStringSubmatch(text)
	if m == nil || m[1] == "" {
		d.faultf(n, "at must be a table (%s) and an address, such as \"holding 16\", not %q", strings.Join(tableWords[:], ", "), text)
		return
	}
	t, known := ParseTable(m[1])
	if !known {
		d.faultf(n, "unknown table %q%s", m[1], userfile.Hint(m[1], tableWords[:]))
	}
	a, ok := d.p.address(n, m[2])
	d.Table, d.Address, d.placed = t, a, ok && known
}

func (d *draft) readType() {
	n, ok := d.get("type")
	switch {
	case ok:
		w, known := d.p.Word(n, d.of("type"), typeWords...)
		if !known {
			return
		}
		i, _ := placeOf(typeWords, w)
		d.Type = Type(i)
	case d.placed && !d.Table.Bits():
		d.p.Faultf(d.name, "%s has no type; say how the registers hold it: %s", d.Name, strings.Join(typeWords, ", "))
		return
	}
	if d.placed && d.Table.Bits() && d.Type != Bit {
		d.faultf(n, "a %s holds one bit, not %s; write \"type: bit\", or leave the type out", d.Table, d.Type)
		return
	}
	info := d.Type.info()
	d.Length, d.Bits, d.Form = info.registers, info.width, info.form
	d.sized = true
	d.readLength()
}

func (d *draft) readLength() {
	n, ok := d.get("length")
	switch {
	case d.Type == Text && !ok:
		d.sized = false
		if !d.keys.Has("length") {
			d.p.Faultf(d.name, "%s has no length; say how many registers the text takes (two characters each)", d.Name)
		}
	case d.Type == Text:
		v, good := d.p.Integer(n, d.of("length"), 1, MaxRegisters)
		d.Length, d.sized = uint16(v), good
	case ok:
		d.faultf(n, "length is for text; %s always takes %d", d.Type, d.Length)
	}
}

var fieldPattern = regexp.MustCompile(`^([0-9]{1,3})(?: *- *([0-9]{1,3}))?$`)

// readField reads which bits of the value count.
func (d *draft) readField() {
	n, ok := d.get("bits")
	if !ok {
		if d.sized && d.placed && d.Type == Bit && !d.Table.Bits() && !d.keys.Has("bits") {
			d.sized = false
			d.p.Faultf(d.name, "%s is one bit of a register, but has no bits; say which one, such as \"bits: 3\" (0 is the least significant)", d.Name)
		}
		return
	}
	text, ok := d.p.Text(n, d.of("bits"))
	if !ok || !d.sized {
		return
	}
	d.sized = false
	m := fieldPattern.FindStringSubmatch(text)
	if m == nil {
		d.faultf(n, "bits must be such as 15-8, highest first, or one bit such as 3, not %q", text)
		return
	}
	high, _ := strconv.Atoi(m[1])
	low := high
	if m[2] != "" {
		low, _ = strconv.Atoi(m[2])
	}
	d.setField(n, high, low)
}

func (d *draft) setField(n *yaml.Node, high, low int) {
	width, whole := int(d.Bits), d.Type.String()
	if d.Type == Bit {
		width, whole = 16, "a register"
	}
	switch {
	case d.placed && d.Table.Bits():
		d.faultf(n, "bits are of registers; a %s is one bit already", d.Table)
	case !d.Type.whole() || d.Type.info().digits > 0:
		d.faultf(n, "bits cannot be cut out of %s", d.Type)
	case high < low:
		d.faultf(n, "bits %d-%d run the wrong way; write the highest first: %d-%d", high, low, low, high)
	case high >= width:
		d.faultf(n, "bits go up to %d, but %s has bits 0 to %d", high, whole, width-1)
	case d.Type == Bit && high != low:
		d.faultf(n, "type bit is one bit, but bits are %d-%d; use type u16", high, low)
	default:
		d.Shift, d.Bits, d.sized = uint8(low), uint8(high-low+1), true
	}
}

func (d *draft) readWords() {
	if d.Type == Text && d.sized {
		d.Order = Big
	}
	n, ok := d.get("words")
	if !ok {
		return
	}
	w, ok := d.p.Word(n, "word order of "+d.Name, orderWords[:]...)
	if !ok || !d.sized {
		return
	}
	i, _ := placeOf(orderWords[:], w)
	d.Order = Order(i)
	switch {
	case d.Type == Text && d.Order != Big && d.Order != ByteSwapped:
		d.faultf(n, "words of a text must be big or byteswapped, not %s", w)
	case d.Type != Text && d.Length == 1:
		d.faultf(n, "words has no meaning for %s, which is in one register; leave it out", d.Type)
	}
}

// checkPlace holds the point's registers against the end of the table, the longest request and the forbidden ranges.
func (d *draft) checkPlace() {
	if !d.placed || !d.sized {
		return
	}
	n := d.keysAt("at")
	m := d.p.m
	if last := int(d.Address) + int(d.Length) - 1; last > lastAddress {
		d.faultf(n, "%s takes %d registers and would end beyond the last one, %s", d.Type, d.Length, where(d.Table, lastAddress, m.OneBased))
		d.placed = false
		return
	}
	if !d.Table.Bits() && int(d.Length) > m.Longest {
		d.faultf(n, "it takes %d registers, but a request may ask for %d at most (reads, longest)", d.Length, m.Longest)
	}
	if r, ok := m.forbiddenAt(d.Table, d.Address, int(d.Length)); ok {
		d.faultf(n, "it touches the forbidden range %s (line %d)", d.p.rangeText(d.Table, r), r.line)
	}
}

// rangeText says which addresses a range has in the file's own numbering, as in "holding 300-319".
func (p *parser) rangeText(t Table, r Range) string {
	first := where(t, int(r.First), p.m.OneBased)
	if r.First == r.Last {
		return first
	}
	_, last, _ := strings.Cut(where(t, int(r.Last), p.m.OneBased), " ")
	return first + "-" + last
}

func (d *draft) readQuantity() {
	n, ok := d.get("quantity")
	if !ok {
		return
	}
	s, ok := d.p.Text(n, d.of("quantity"))
	if !ok {
		return
	}
	q, known := fleet.ParseQuantity(s)
	if !known {
		d.faultf(n, "unknown quantity %q%s", s, userfile.Hint(s, quantityWords()))
	}
	d.Quantity = q
}

func (d *draft) readCounter() {
	d.Counter = d.Quantity.Counter() && d.meaning == meansNumber
	n, ok := d.get("counter")
	if ok {
		if v, good := d.p.Truth(n, d.of("counter")); good {
			d.Counter = v && d.meaning == meansNumber
		}
	} else {
		n = d.name
	}
	if d.Counter && d.sized && d.Type.info().digits > 0 {
		d.faultf(n, "%s wraps where its digits end, which a counter cannot follow; add \"counter: false\" to read it as a plain number", d.Type)
	}
}

func (d *draft) readPoll() {
	d.Group = d.Quantity.Group()
	n, ok := d.get("poll")
	if !ok {
		return
	}
	if w, ok := d.p.Word(n, d.of("poll"), groupWords()...); ok {
		d.Group, _ = fleet.ParseGroup(w)
		d.polled = true
	}
}

var one = big.NewRat(1, 1)

// keysAt returns the place of a key's value, or of the name where the key is not there.
func (d *draft) keysAt(key string) *yaml.Node {
	if n, ok := d.get(key); ok {
		return n
	}
	return d.name
}
