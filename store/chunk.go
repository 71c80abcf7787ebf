package store

import (
	"bytes"
	"encoding/binary"

	"ringwarden/fleet"
)

// The kinds of chunks.
const (
	chunkKind       = 1
	chunkKindMillis = 2 // late and took are in milliseconds, and not in nanoseconds
)

// The columns of every chunk; those of the points follow.
const (
	columnAt   = iota // instants, nanoseconds since 1970
	columnWhat        // outcome, and the bits below
	columnLate
	columnTook
	columnsFixed
)

// What the column of outcomes holds besides the outcome.
const (
	whatOutcome = 0b0000_1111
	whatValues  = 0b0001_0000 // the frame has values
	whatRestamp = 0b0010_0000 // see [fleet.Frame.Restamped]

)

// A chunkBuilder gathers frames of one controller, poll group and layout, in the order of time.
type chunkBuilder struct {
	controller fleet.ControllerID
	group      fleet.Group
	layout     *fleet.Layout // nil as long as no frame has values
	id         layoutID
	first      int64
	last       int64
	rows       int
	valued     int // rows with values
	millis     bool
	fixed      [columnsFixed]column
	points     []pointColumn
}

// takes reports whether a frame can go into the same chunk.
func (b *chunkBuilder) takes(f *fleet.Frame) bool {
	return b.rows < rowLimit && (!b.millis || wholeMillis(f)) && (len(f.Values) == 0 || b.layout == nil || b.layout.ID == f.Layout.ID)
}

// add takes a frame over.
func (b *chunkBuilder) add(f *fleet.Frame) error {
	if len(f.Values) > 0 && b.layout == nil {
		id, err := parseLayoutID(f.Layout.ID)
		if err != nil {
			return err
		}
		b.layout, b.id = f.Layout, id
		b.points = make([]pointColumn, len(f.Layout.Points))
		for i := range b.points {
			b.points[i].begin(&f.Layout.Points[i])
		}
	}
	at := f.At.UnixNano()
	if b.rows == 0 {
		b.first, b.millis = at, wholeMillis(f)
		b.fixed[columnAt].transform = ofSteps
	}
	b.last = at
	what := uint64(f.Outcome)
	if len(f.Values) > 0 {
		what |= whatValues
	}
	if f.Restamped {
		what |= whatRestamp
	}
	late, took := uint64(f.Late), uint64(f.Took)
	if b.millis {
		late, took = uint64(f.Late.Milliseconds()), uint64(f.Took.Milliseconds())
	}
	for i, v := range [columnsFixed]uint64{uint64(at), what, late, took} {
		b.fixed[i].add(v)
	}
	for i := range f.Values {
		b.points[i].add(b.valued, &f.Values[i])
	}
	if len(f.Values) > 0 {
		b.valued++
	}
	b.rows++
	return nil
}

// size returns about how much memory the builder holds.
func (b *chunkBuilder) size() int {
	n := 0
	for i := range b.fixed {
		n += len(b.fixed[i].changes)
	}
	for i := range b.points {
		n += len(b.points[i].changes) + len(b.points[i].odd)
	}
	return n
}

// encode returns the body of the chunk.
func (b *chunkBuilder) encode(k *coder) []byte {
	columns := make([][]byte, 0, columnsFixed+len(b.points))
	for i := range b.fixed {
		columns = append(columns, b.fixed[i].appendTo(nil, k))
	}
	for i := range b.points {
		columns = append(columns, b.points[i].appendTo(nil, k))
	}
	kind := byte(chunkKind)
	if b.millis {
		kind = chunkKindMillis
	}
	body := binary.AppendUvarint([]byte{kind}, uint64(b.rows))
	body = binary.AppendUvarint(body, uint64(b.valued))
	if b.layout != nil {
		body = append(body, b.id[:]...)
	}
	for _, c := range columns {
		body = binary.AppendUvarint(body, uint64(len(c)))
	}
	return append(body, bytes.Join(columns, nil)...)
}

// A pointColumn is the column of one point: the raw integers of its plain values, and, beside them, the odd ones. A row
// that is odd repeats the raw integer before it.
type pointColumn struct {
	column
	point *fleet.Point
	// exponent is that of the point that scales this one, where the first good value shows one; a value with another
	// one is odd.
	exponent    int8
	hasExponent bool

	odd       []byte // runs of odd values: uvarint rows after the run before, uvarint rows, an exception
	end       int    // the row after the last run that is in odd
	start     int    // of the run under way
	run       int
	exception []byte
	scratch   []byte
}

func (c *pointColumn) begin(p *fleet.Point) {
	c.point = p
	if p.Form == fleet.FormFloat32 || p.Form == fleet.FormFloat64 {
		c.transform = ofXor
	}
}

func (c *pointColumn) add(row int, v *fleet.Value) {
	if c.regular(v) {
		c.column.add(v.Raw)
		return
	}
	c.column.add(c.last)
	c.scratch = appendException(c.scratch[:0], c.point, v)
	if c.run > 0 && c.start+c.run == row && bytes.Equal(c.scratch, c.exception) {
		c.run++
		return
	}
	c.flush()
	c.start, c.run = row, 1
	c.exception = append(c.exception[:0], c.scratch...)
}

// regular reports whether the raw integer says all about v.
func (c *pointColumn) regular(v *fleet.Value) bool {
	if c.point.Form == fleet.FormText || v.Quality != fleet.Good || v.Text != "" {
		return false
	}
	if c.point.ScaledBy == "" {
		return same(v.Number, implied(c.point, v.Raw))
	}
	if !c.hasExponent {
		switch kind, e := numberOf(c.point, v); kind {
		case numberScaled:
			c.exponent, c.hasExponent = e, true
		case numberImplied:
			c.hasExponent = true
		}
	}
	return c.hasExponent && same(v.Number, c.point.Scaled(v.Raw, int(c.exponent)))
}

func (c *pointColumn) flush() {
	if c.run == 0 {
		return
	}
	c.odd = binary.AppendUvarint(c.odd, uint64(c.start-c.end))
	c.odd = binary.AppendUvarint(c.odd, uint64(c.run))
	c.odd = append(c.odd, c.exception...)
	c.end, c.run = c.start+c.run, 0
}

// appendTo appends the exponent, the column and the odd values.
func (c *pointColumn) appendTo(dst []byte, k *coder) []byte {
	c.flush()
	dst = append(dst, byte(c.exponent))
	dst = c.column.appendTo(dst, k)
	return k.pack(dst, c.odd)
}
