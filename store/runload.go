package store

import (
	"bytes"
	"context"
	"slices"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A runLoader reads what one window has of a point.
type runLoader struct {
	s     *Store
	id    fleet.ControllerID
	point string

	parts    []part
	unpacker unpacker
	decoder  decoder
	memory   []byte
	chunks   []record
	at, what columnReader
	values   pointReader
	rows     []uint64
}

// A part is what one chunk, or the journal for one map, has: of one poll group, in the order of time.
type part struct {
	Run
	group fleet.Group
}

// begin readies a loader for another point.
func (l *runLoader) begin(id fleet.ControllerID, point string) {
	l.id, l.point = id, point
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
	var parts []part
	if !folded {
		if parts, err = l.journal(ctx, first, last); err != nil {
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
	l.decode(parts, first, last)
	return start, true, nil
}

// decode takes the copied chunks apart, and what they do not have from the journal.
func (l *runLoader) decode(fromJournal []part, first, last int64) {
	for i := range l.chunks {
		if err := l.chunk(&l.chunks[i], first, last); err != nil {
			l.s.damagedRecord(bucketChunks, l.chunks[i].key, err)
		}
	}
	for i := range fromJournal {
		l.dropFolded(&fromJournal[i])
	}
	l.parts = append(l.parts, fromJournal...)
}

// dropFolded drops the samples of frames that a chunk has as well, with or without values: the chunk's came first.
func (l *runLoader) dropFolded(p *part) {
	for i := range l.chunks {
		key, _ := parseChunkKey(l.chunks[i].key)
		if n := len(p.At); n == 0 || key.group != p.group || key.last < p.At[0] || key.first > p.At[n-1] {
			continue
		}
		body, _ := unseal(l.chunks[i].key, l.chunks[i].value) // none if it is damaged
		there := instantsOf(body, &l.decoder)
		all := p.Run
		p.Run = Run{Point: all.Point}
		for j, at := range all.At {
			if _, ok := there[at]; !ok {
				v := all.Sample(j).Value
				p.add(at, &v)
			}
		}
	}
}

// journal reads the samples that are not folded.
func (l *runLoader) journal(ctx context.Context, first, last int64) ([]part, error) {
	l.unpacker.layout, l.unpacker.recycle = l.s.layout, true
	var parts []part
	of := make(map[*fleet.Point]map[fleet.Group]int)
	var frames []fleet.Frame
	for batch, err := range l.s.records(ctx, bucketJournal, appendKeyTime(nil, first), keyAfter(last)) {
		if err != nil {
			return nil, err
		}
		for len(batch) > 0 {
			n := sameInstant(batch)
			frames, _ = l.s.unpackInstant(&l.unpacker, frames[:0], batch[:n])
			batch = batch[n:]
			for i := range frames {
				parts = addSample(parts, of, &frames[i], l.point)
			}
		}
	}
	return parts, nil
}

func addSample(parts []part, of map[*fleet.Point]map[fleet.Group]int, f *fleet.Frame, point string) []part {
	if f.Layout == nil {
		return parts
	}
	i, ok := f.Layout.Named(point)
	if !ok {
		return parts
	}
	p := &f.Layout.Points[i]
	if of[p] == nil {
		of[p] = make(map[fleet.Group]int)
	}
	place, ok := of[p][f.Group]
	if !ok {
		place = len(parts)
		of[p][f.Group] = place
		parts = append(parts, part{Run: Run{Point: p}, group: f.Group})
	}
	parts[place].add(f.At.UnixNano(), &f.Values[i])
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

// chunk adds the part of a chunk that has the point.
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
	i, ok := layout.Named(l.point)
	if !ok {
		return nil
	}
	if len(c.columns) != columnsFixed+len(layout.Points) {
		return errMalformed
	}
	if !c.fixed(&l.at, columnAt, &l.decoder) ||
		!l.values.open(c.columns[columnsFixed+i], &layout.Points[i], c.valued, &l.decoder) {
		return errMalformed
	}
	key, _ := parseChunkKey(r.key)
	p := l.newPart(&layout.Points[i], key.group, c.rows)
	if err := l.instants(&c, p); err != nil {
		l.parts = l.parts[:len(l.parts)-1]
		return err
	}
	l.values.run(&p.Run, c.valued)
	p.cut(first, last)
	return nil
}

// newPart returns an empty part, in memory that was used before where there is some.
func (l *runLoader) newPart(p *fleet.Point, g fleet.Group, rows int) *part {
	if len(l.parts) < cap(l.parts) {
		l.parts = l.parts[:len(l.parts)+1]
	} else {
		l.parts = append(l.parts, part{})
	}
	n := &l.parts[len(l.parts)-1]
	n.Point, n.group, n.texts = p, g, nil
	n.At = slices.Grow(n.At[:0], rows)
	n.Raw, n.Number = slices.Grow(n.Raw[:0], rows), slices.Grow(n.Number[:0], rows)
	n.Quality = slices.Grow(n.Quality[:0], rows)
	return n
}

// instants reads those of the rows that have values.
func (l *runLoader) instants(c *chunk, p *part) error {
	if first, step, ok := l.at.even(); ok && c.valued == c.rows {
		p.At = p.At[:c.rows]
		for i := range p.At {
			p.At[i] = int64(first + uint64(i)*step)
		}
		return nil
	}
	l.rows = slices.Grow(l.rows[:0], c.rows)[:c.rows]
	l.at.read(l.rows)
	if c.valued == c.rows {
		p.At = p.At[:c.rows]
		for i, t := range l.rows {
			p.At[i] = int64(t)
		}
		return nil
	}
	if !c.fixed(&l.what, columnWhat, &l.decoder) {
		return errMalformed
	}
	for _, t := range l.rows {
		var what [1]uint64
		if l.what.read(what[:]); what[0]&whatValues != 0 {
			p.At = append(p.At, int64(t))
		}
	}
	if len(p.At) != c.valued {
		return errMalformed
	}
	return nil
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
