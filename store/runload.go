package store

import (
	"bytes"
	"context"
	"slices"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A runLoader reads what one window has of some points of a controller: the journal and each chunk once for all of them.
type runLoader struct {
	s      *Store
	id     fleet.ControllerID
	points []string

	parts    []part
	fresh    []part // of the journal, before what is folded is dropped from them
	unpacker unpacker
	decoder  decoder
	memory   []byte
	chunks   []record
	batch    batch // of the journal
	frames   []fleet.Frame
	at, what columnReader
	values   pointReader
	rows     []uint64
	instants []int64
}

// A part is what one chunk, or the journal for one map, has of a point: of one poll group, in the order of time.
type part struct {
	Run
	place int // of the point
	group fleet.Group
}

// begin readies a loader for other points.
func (l *runLoader) begin(id fleet.ControllerID, points []string) {
	l.id, l.points = id, points
	l.unpacker.only = append([]byte{}, id...) // not nil, whatever the id
}

// next loads the first window from the one of first on, up to last, that has anything in it, and returns its beginning.
//
// It reads the journal first and the chunks after it: a fold writes chunks before it takes from the journal, so what is
// in neither is nowhere. Where the journal has nothing of the window, as is so of all that are over, one transaction does
// for everything.
func (l *runLoader) next(ctx context.Context, first, last int64) (start int64, ok bool, err error) {
	if ctx.Err() != nil {
		return 0, false, context.Cause(ctx)
	}
	folded := false
	l.parts = l.parts[:0]
	err = l.s.view(func(tx *bbolt.Tx) error {
		var journal int64
		start, journal, ok = windowAt(tx, first)
		if ok = ok && start <= last; !ok {
			return nil
		}
		first, last = max(first, start), min(last, windowEnd(start))
		if folded = journal > last; folded {
			l.copyChunks(tx, start, first, last)
		}
		return nil
	})
	if err != nil || !ok {
		return 0, false, err
	}
	l.fresh = l.fresh[:0]
	if !folded {
		// Nearly all of it is in the journal: so what is read there takes the memory of the windows before, and no other.
		l.fresh, l.parts = l.parts, l.fresh
		if err = l.journal(ctx, first, last); err != nil {
			return 0, false, err
		}
		err = l.s.view(func(tx *bbolt.Tx) error {
			l.copyChunks(tx, start, first, last)
			return nil
		})
		if err != nil {
			return 0, false, err
		}
	}
	l.decode(first, last)
	return start, true, nil
}

// decode takes the copied chunks apart, and what they do not have from the journal.
func (l *runLoader) decode(first, last int64) {
	for i := range l.chunks {
		if err := l.chunk(&l.chunks[i], first, last); err != nil {
			l.s.damagedRecord(bucketChunks, l.chunks[i].key, err)
		}
	}
	there := make([]map[int64]struct{}, len(l.chunks))
	for i := range l.fresh {
		l.dropFolded(&l.fresh[i], there)
		p := another(&l.parts)
		*p, l.fresh[i] = l.fresh[i], *p // each keeps memory of its own
	}
}

// dropFolded drops the samples of frames that a chunk has as well, with or without values: the chunk's came first. there
// keeps the instants of the chunks that were looked into.
func (l *runLoader) dropFolded(p *part, there []map[int64]struct{}) {
	for i := range l.chunks {
		key, _ := parseChunkKey(l.chunks[i].key)
		if n := len(p.At); n == 0 || key.group != p.group || key.last < p.At[0] || key.first > p.At[n-1] {
			continue
		}
		if there[i] == nil {
			body, _ := unseal(l.chunks[i].key, l.chunks[i].value) // none if it is damaged
			there[i] = instantsOf(body, &l.decoder)
		}
		all := p.Run
		p.Run = Run{Point: all.Point}
		for j, at := range all.At {
			if _, ok := there[i][at]; !ok {
				v := all.Sample(j).Value
				p.add(at, &v)
			}
		}
	}
}

// journal reads the samples that are not folded.
func (l *runLoader) journal(ctx context.Context, first, last int64) error {
	l.unpacker.layout, l.unpacker.recycle = l.s.layout, true
	of := make(map[journalFrames][]journalPart)
	for batch, err := range l.s.recordsInto(ctx, &l.batch, bucketJournal, appendKeyTime(nil, first), keyAfter(last)) {
		if err != nil {
			return err
		}
		for len(batch) > 0 {
			n := sameInstant(batch)
			l.frames, _ = l.s.unpackInstant(&l.unpacker, l.frames[:0], batch[:n])
			batch = batch[n:]
			for i := range l.frames {
				l.addSamples(of, &l.frames[i])
			}
		}
	}
	return nil
}

// A journalFrames is all frames of one map in one poll group.
type journalFrames struct {
	layout *fleet.Layout
	group  fleet.Group
}

// A journalPart says where in such frames a point stands, and in which part its samples go.
type journalPart struct{ point, part int }

func (l *runLoader) addSamples(of map[journalFrames][]journalPart, f *fleet.Frame) {
	if f.Layout == nil {
		return
	}
	parts, ok := of[journalFrames{f.Layout, f.Group}]
	if !ok {
		parts = l.beginParts(f)
		of[journalFrames{f.Layout, f.Group}] = parts
	}
	at := f.At.UnixNano()
	for _, p := range parts {
		l.fresh[p.part].add(at, &f.Values[p.point])
	}
}

// beginParts begins the parts of frames like this one.
func (l *runLoader) beginParts(f *fleet.Frame) (parts []journalPart) {
	for place, name := range l.points {
		if i, ok := f.Layout.Named(name); ok {
			parts = append(parts, journalPart{i, len(l.fresh)})
			another(&l.fresh).begin(&f.Layout.Points[i], place, f.Group, 0)
		}
	}
	return parts
}

// keyAfter returns the key that comes after those of an instant; nil: there is none.
func keyAfter(last int64) []byte {
	if last+1 < last {
		return nil
	}
	return appendKeyTime(nil, last+1)
}

// copyChunks copies the chunks of the controller.
func (l *runLoader) copyChunks(tx *bbolt.Tx, start, first, last int64) {
	b := batch{records: l.chunks[:0], memory: l.memory[:0]}
	if bucket := chunksOf(tx); bucket != nil {
		prefix := chunkPrefix(start, l.id)
		c := bucket.Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			key, ok := parseChunkKey(k)
			if ok && key.controller == l.id && key.last >= first && key.first <= last {
				b.add(k, v)
			}
		}
	}
	l.chunks, l.memory = b.records, b.memory
}

// chunk adds the parts of a chunk that have the points. One whose column is damaged hides no other.
func (l *runLoader) chunk(r *record, first, last int64) error {
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	c, err := parseChunk(body)
	if err != nil || c.valued == 0 {
		return err
	}
	layout, err := l.s.layout(c.layout)
	if err != nil {
		return err
	}
	key, _ := parseChunkKey(r.key)
	known := false // the instants
	for place, name := range l.points {
		i, ok := layout.Named(name)
		if !ok {
			continue
		}
		if !known {
			if len(c.columns) != columnsFixed+len(layout.Points) || !l.readInstants(&c) {
				return errMalformed
			}
			known = true
		}
		if !l.values.open(c.columns[columnsFixed+i], &layout.Points[i], c.valued, &l.decoder) {
			err = errMalformed
			continue
		}
		p := another(&l.parts)
		p.begin(&layout.Points[i], place, key.group, c.rows)
		p.At = append(p.At, l.instants...)
		l.values.run(&p.Run, c.valued)
		p.cut(first, last)
	}
	return err
}

// another makes parts one longer, by one in memory that was used before where there is some, and returns that.
func another(parts *[]part) *part {
	if n := len(*parts); n < cap(*parts) {
		*parts = (*parts)[:n+1]
	} else {
		*parts = append(*parts, part{})
	}
	return &(*parts)[len(*parts)-1]
}

// begin empties a part, and readies it for so many samples.
func (p *part) begin(of *fleet.Point, place int, g fleet.Group, rows int) {
	p.Point, p.place, p.group, p.texts = of, place, g, nil
	p.At = slices.Grow(p.At[:0], rows)
	p.Raw, p.Number = slices.Grow(p.Raw[:0], rows), slices.Grow(p.Number[:0], rows)
	p.Quality = slices.Grow(p.Quality[:0], rows)
}

// readInstants reads those of the rows that have values.
func (l *runLoader) readInstants(c *chunk) bool {
	if !c.fixed(&l.at, columnAt, &l.decoder) {
		return false
	}
	l.instants = slices.Grow(l.instants[:0], c.rows)
	if first, step, ok := l.at.even(); ok && c.valued == c.rows {
		for i := range uint64(c.rows) {
			l.instants = append(l.instants, int64(first+i*step))
		}
		return true
	}
	l.rows = slices.Grow(l.rows[:0], c.rows)[:c.rows]
	l.at.read(l.rows)
	if c.valued != c.rows && !c.fixed(&l.what, columnWhat, &l.decoder) {
		return false
	}
	for _, t := range l.rows {
		what := [1]uint64{whatValues}
		if c.valued != c.rows {
			l.what.read(what[:])
		}
		if what[0]&whatValues != 0 {
			l.instants = append(l.instants, int64(t))
		}
	}
	return len(l.instants) == c.valued
}

// cut leaves the samples from first to last.
func (p *part) cut(first, last int64) {
	i, _ := slices.BinarySearch(p.At, first)
	j, found := slices.BinarySearch(p.At, last)
	if found {
		j++
	}
	if i == 0 && j == len(p.At) {
		return
	}
	j = max(i, j)
	if p.texts != nil {
		texts := p.texts
		p.texts = nil
		for k := i; k < j; k++ {
			if t, ok := texts[k]; ok {
				p.setText(k-i, t)
			}
		}
	}
	p.At, p.Raw = append(p.At[:0], p.At[i:j]...), append(p.Raw[:0], p.Raw[i:j]...) // from the start, for the memory's sake
	p.Number, p.Quality = append(p.Number[:0], p.Number[i:j]...), append(p.Quality[:0], p.Quality[i:j]...)
}

// allGood begins the qualities of a run.
var allGood = [...]fleet.Quality{fleet.Good, fleet.Good, fleet.Good, fleet.Good, fleet.Good, fleet.Good, fleet.Good, fleet.Good}

// run reads all rows of a point.
func (r *pointReader) run(dst *Run, rows int) {
	dst.Raw, dst.Number, dst.Quality = dst.Raw[:rows], dst.Number[:rows], dst.Quality[:rows]
	dense := r.method == packedDense
	r.read(dst.Raw)
	if !dense || !r.linear(dst.Raw, dst.Number) {
		r.repeat(dst.Raw, dst.Number)
	}
	for filled := copy(dst.Quality, allGood[:]); filled < rows; {
		filled += copy(dst.Quality[filled:], dst.Quality[:filled])
	}
	for _, o := range r.odd {
		for i := o.start; i < o.end; i++ {
			dst.Raw[i], dst.Number[i], dst.Quality[i] = o.value.Raw, o.value.Number, o.value.Quality
			if o.value.Text != "" {
				dst.setText(i, o.value.Text)
			}
		}
	}
}

// repeat finds the numbers of raw integers of which most are like the one before.
func (r *pointReader) repeat(raws []uint64, numbers []float64) {
	var before uint64
	var number float64
	for i, raw := range raws {
		if raw != before || i == 0 {
			before, number = raw, r.number(raw)
		}
		numbers[i] = number
	}
}

// linear finds the numbers of an ordinary point, as [fleet.Point.Number] does but without asking at each what the point is
// like. It does nothing, and says so, for any other point.
func (r *pointReader) linear(raws []uint64, numbers []float64) bool {
	p := r.point
	if p.Form != fleet.FormUnsigned || p.ScaledBy != "" || p.Quantity == fleet.QuantityStage {
		return false
	}
	numbers = numbers[:len(raws)]
	mul, div, add := p.Mul, p.Div, p.Add
	if mul == 1 && div == 1 && add == 0 {
		for i, raw := range raws {
			numbers[i] = float64(raw)
		}
		return true
	}
	for i, raw := range raws {
		numbers[i] = float64(raw)*mul/div + add
	}
	return true
}
