package store

import (
	"time"

	"ringwarden/fleet"
)

// A chunk is a folded run of frames of one controller and poll group, its columns still packed.
type chunk struct {
	rows, valued int
	layout       layoutID      // of the rows with values
	unit         time.Duration // of late and took
	columns      [][]byte
}

// parseChunk takes the head of a chunk's body apart.
func parseChunk(body []byte) (chunk, error) {
	w := wire{b: body}
	unit := time.Nanosecond
	switch w.octet() {
	case chunkKind:
	case chunkKindMillis:
		unit = time.Millisecond
	default:
		return chunk{}, errMalformed
	}
	rows, valued := w.uvarint(), w.uvarint()
	if w.bad || rows == 0 || rows > rowLimit || valued > rows {
		return chunk{}, errMalformed
	}
	c := chunk{rows: int(rows), valued: int(valued), unit: unit}
	if valued > 0 {
		copy(c.layout[:], w.take(uint64(len(c.layout))))
	}
	return c, c.split(&w)
}

// split finds the columns. How many points there are follows from the layout, which the head only names, so the
// lengths are read until they add up to what is left.
func (c *chunk) split(w *wire) error {
	lengths := make([]uint64, 0, 64)
	sum := uint64(0)
	for {
		n := w.uvarint()
		if w.bad || n == 0 || n > uint64(len(w.b)) {
			return errMalformed
		}
		lengths = append(lengths, n)
		if sum += n; sum >= uint64(len(w.b)) && len(lengths) >= columnsFixed {
			break
		}
	}
	c.columns = make([][]byte, 0, len(lengths))
	for _, n := range lengths {
		c.columns = append(c.columns, w.take(n))
	}
	if !w.done() {
		return errMalformed
	}
	return nil
}

// fixed opens one of the columns that every chunk has.
func (c *chunk) fixed(r *columnReader, i int, d *decoder) bool {
	w := wire{b: c.columns[i]}
	r.open(&w, d, c.rows)
	return w.done()
}

// A pointReader gives the values of one point back, some rows at a time.
type pointReader struct {
	columnReader
	point    *fleet.Point
	exponent int8
	odd      []oddRun
	row      int
}

// An oddRun is a run of rows whose values are not plain.
type oddRun struct {
	start, end int
	value      fleet.Value
}

// open opens the column of a point with valued rows.
func (r *pointReader) open(b []byte, p *fleet.Point, valued int, d *decoder) bool {
	w := wire{b: b}
	r.point, r.row, r.odd = p, 0, r.odd[:0]
	r.exponent = int8(w.octet())
	r.columnReader.open(&w, d, valued)
	odd := wire{b: d.stream(&w, valueLimit)}
	for row := uint64(0); len(odd.b) > 0 && !w.bad; {
		start := row + odd.uvarint()
		row = start + odd.uvarint()
		run := oddRun{start: int(start), end: int(row), value: odd.exception(p)}
		if odd.bad || start >= row || row > uint64(valued) {
			return false
		}
		r.odd = append(r.odd, run)
	}
	return w.done() && !odd.bad
}

// values turns the raw integers of the next rows into values, where dst has room for as many, each stride apart.
func (r *pointReader) values(raw []uint64, dst []fleet.Value, stride int) {
	for i, v := range raw {
		row := r.row + i
		for len(r.odd) > 0 && r.odd[0].end <= row {
			r.odd = r.odd[1:]
		}
		if len(r.odd) > 0 && r.odd[0].start <= row {
			dst[i*stride] = r.odd[0].value
			continue
		}
		dst[i*stride] = fleet.Value{Raw: v, Number: r.number(v), Quality: fleet.Good}
	}
	r.row += len(raw)
}

// number returns what a plain raw integer stands for.
func (r *pointReader) number(raw uint64) float64 {
	if r.point.ScaledBy != "" {
		return r.point.Scaled(raw, int(r.exponent))
	}
	return implied(r.point, raw)
}

// chunkBlock is how many rows of a chunk are in memory at once, besides the packed integers.
const chunkBlock = 64

// A chunkReader gives the frames of a chunk back, one by one.
type chunkReader struct {
	key     chunkKey
	layout  *fleet.Layout
	left    int
	unit    time.Duration
	rows    [columnsFixed]columnReader
	points  []pointReader
	block   []fleet.Frame
	scratch [chunkBlock]uint64
}

// open opens a chunk; layout finds those of its values.
func (r *chunkReader) open(key chunkKey, body []byte, layout func(layoutID) (*fleet.Layout, error), d *decoder) error {
	c, err := parseChunk(body)
	if err != nil {
		return err
	}
	r.key, r.left, r.unit = key, c.rows, c.unit
	for i := range r.rows {
		if !c.fixed(&r.rows[i], i, d) {
			return errMalformed
		}
	}
	if c.valued > 0 {
		if r.layout, err = layout(c.layout); err != nil {
			return err
		}
		r.points = make([]pointReader, len(r.layout.Points))
	}
	if len(c.columns) != columnsFixed+len(r.points) {
		return errMalformed
	}
	for i := range r.points {
		if !r.points[i].open(c.columns[columnsFixed+i], &r.layout.Points[i], c.valued, d) {
			return errMalformed
		}
	}
	return nil
}

// next returns the next frame, nil at the end. It belongs to the caller.
func (r *chunkReader) next() *fleet.Frame {
	if len(r.block) == 0 {
		if r.left == 0 {
			return nil
		}
		r.fill()
	}
	f := &r.block[0]
	r.block = r.block[1:]
	return f
}

// fill reads the next block of rows.
func (r *chunkReader) fill() {
	n := min(r.left, chunkBlock)
	r.left -= n
	r.block = make([]fleet.Frame, n)
	var fixed [columnsFixed][chunkBlock]uint64
	for i := range r.rows {
		r.rows[i].read(fixed[i][:n])
	}
	valued := 0
	for i := range r.block {
		what := fixed[columnWhat][i]
		r.block[i] = fleet.Frame{
			Controller: r.key.controller, Group: r.key.group, At: time.Unix(0, int64(fixed[columnAt][i])).UTC(),
			Late: time.Duration(fixed[columnLate][i]) * r.unit, Took: time.Duration(fixed[columnTook][i]) * r.unit,
			Outcome: fleet.Outcome(what & whatOutcome), Restamped: what&whatRestamp != 0,
		}
		if what&whatValues != 0 && r.layout != nil {
			valued++
		}
	}
	points := len(r.points)
	values := make([]fleet.Value, valued*points)
	for i := range r.points {
		raw := r.scratch[:valued]
		r.points[i].read(raw)
		r.points[i].values(raw, values[min(i, len(values)):], points)
	}
	for i := range r.block {
		if fixed[columnWhat][i]&whatValues != 0 && points > 0 {
			r.block[i].Layout, r.block[i].Values = r.layout, values[:points:points]
			values = values[points:]
		}
	}
}
