package store

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// framesKind is the only kind of journal value so far.
const framesKind = 1

// Whether a frame's values are all plain, or a bitmap of exceptions comes before them.
const (
	allPlain       = 0
	withExceptions = 1
)

// What may be set in the byte of the outcome.
const (
	outcomeRestamped = 0x80 // the frame's instant was corrected
	outcomeMillis    = 0x40 // late and took are in milliseconds, and not in nanoseconds
)

// wholeMillis reports whether a frame was late, and took, a whole number of milliseconds, as those of the poller do.
func wholeMillis(f *fleet.Frame) bool {
	return f.Late%time.Millisecond == 0 && f.Took%time.Millisecond == 0
}

// A parcel is one journal value under way: frames of one instant.
type parcel struct {
	at    time.Time
	value []byte // room for the checksum, then the body; see [sealIn]
}

func (p *parcel) body() []byte { return p.value[checksumSize:] }

// A packer fills parcels. Its zero value is ready.
type packer struct {
	parcels []parcel
	layouts map[layoutID]*fleet.Layout // all that the parcels refer to
	layout  *fleet.Layout              // of the last frame with values
	id      layoutID                   // its id

	// The parcel under way.
	at     time.Time
	ids    []layoutID // its layouts, in order of first use
	last   fleet.ControllerID
	frames []byte

	scratch []byte
}

// pack checks frames and puts them into parcels, in the order of time.
func pack(frames []fleet.Frame) (*packer, error) {
	order := make([]*fleet.Frame, len(frames))
	for i := range frames {
		if err := check(&frames[i]); err != nil {
			return nil, err
		}
		order[i] = &frames[i]
	}
	inOrder := func(a, b *fleet.Frame) int {
		return cmp.Or(cmp.Compare(a.At.UnixNano(), b.At.UnixNano()), compareFrames(a, b))
	}
	if !slices.IsSortedFunc(order, inOrder) { // as they mostly are
		slices.SortStableFunc(order, inOrder)
	}
	p := &packer{layouts: make(map[layoutID]*fleet.Layout)}
	for _, f := range order {
		if err := p.add(f); err != nil {
			return nil, err
		}
	}
	p.finish()
	return p, nil
}

// compareFrames orders the frames of one instant.
func compareFrames(a, b *fleet.Frame) int {
	return cmp.Or(cmp.Compare(a.Controller, b.Controller), cmp.Compare(a.Group, b.Group))
}

// put stores the parcels in the journal.
func (p *packer) put(journal *bbolt.Bucket) error {
	for i := range p.parcels {
		if err := put(journal, p.parcels[i].at, p.parcels[i].value); err != nil {
			return err
		}
	}
	return nil
}

// check says why a frame cannot be stored.
func check(f *fleet.Frame) error {
	why := ""
	switch {
	case f.Controller == "":
		why = "it names no controller"
	case len(f.Controller) > textLimit:
		why = fmt.Sprintf("the controller's id is longer than %d bytes", textLimit)
	case !storable(f.At):
		why = "its instant is out of range"
	case f.Outcome > whatOutcome:
		why = "its outcome is unknown"
	case len(f.Values) > 0 && f.Layout == nil:
		why = "it has values but no layout"
	case len(f.Values) > 0 && len(f.Values) != len(f.Layout.Points):
		why = fmt.Sprintf("it has %d values for %d points", len(f.Values), len(f.Layout.Points))
	}
	for i := range f.Values {
		if f.Values[i].Quality > statusQuality {
			why = "a value's quality is unknown"
		}
	}
	if why == "" {
		return nil
	}
	return fmt.Errorf("frame of %.80q at %v: %w: %s", f.Controller, f.At, ErrInvalid, why)
}

// add puts a frame into the parcel under way, or into a new one if it is of another instant or does not fit.
func (p *packer) add(f *fleet.Frame) error {
	// By the wall clock: a monotonic reading, which Equal would prefer, does not go into the file.
	if len(p.frames) > 0 && f.At.UnixNano() != p.at.UnixNano() {
		p.finish()
	}
	if len(f.Values) > 0 && f.Layout != p.layout {
		id, err := parseLayoutID(f.Layout.ID)
		if err != nil {
			return err
		}
		p.layout, p.id = f.Layout, id
		p.layouts[id] = f.Layout
	}
	place, size := p.encode(f, p.id)
	if len(p.frames) > 0 && size > valueTarget {
		p.finish()
		place, _ = p.encode(f, p.id)
	}
	if place > len(p.ids) {
		p.ids = append(p.ids, p.id)
	}
	p.frames = binary.AppendUvarint(p.frames, uint64(len(p.scratch)))
	p.frames = append(p.frames, p.scratch...)
	p.at, p.last = f.At, f.Controller
	return nil
}

// encode writes a frame to scratch. It returns the place of its layout among those of the parcel, counted from 1, and
// the size that the stored value would have with it.
func (p *packer) encode(f *fleet.Frame, id layoutID) (place, size int) {
	b := p.scratch[:0]
	shared := sharedPrefix(string(p.last), string(f.Controller))
	b = binary.AppendUvarint(b, uint64(shared))
	b = appendText(b, string(f.Controller[shared:]))
	outcome := byte(f.Outcome)
	if f.Restamped {
		outcome |= outcomeRestamped
	}
	late, took := int64(f.Late), int64(f.Took)
	if wholeMillis(f) {
		outcome |= outcomeMillis
		late, took = f.Late.Milliseconds(), f.Took.Milliseconds()
	}
	b = append(b, byte(f.Group), outcome)
	b = binary.AppendVarint(b, late)
	b = binary.AppendVarint(b, took)
	layouts := len(p.ids)
	if len(f.Values) > 0 {
		place = 1 + slices.Index(p.ids, id)
		if place == 0 {
			layouts++
			place = layouts
		}
	}
	b = binary.AppendUvarint(b, uint64(place))
	if len(f.Values) > 0 {
		b = appendValues(b, f.Layout.Points, f.Values)
	}
	p.scratch = b
	const kind, count, length = 1, 1, 2
	return place, checksumSize + kind + count + layouts*len(id) + len(p.frames) + length + len(b)
}

func appendValues(b []byte, points []fleet.Point, values []fleet.Value) []byte {
	form := len(b)
	b = append(b, allPlain)
	for i := range values {
		p, v := &points[i], &values[i]
		if ordinary(p) && v.Quality == fleet.Good && v.Text == "" && same(v.Number, p.Number(v.Raw)) {
			b = binary.AppendUvarint(b, v.Raw) // the short way for most values
			continue
		}
		if !plain(p, v) {
			return appendExceptions(b[:form], points, values)
		}
		b = appendPlain(b, p, v)
	}
	return b
}

// appendExceptions appends values of which some are not plain.
func appendExceptions(b []byte, points []fleet.Point, values []fleet.Value) []byte {
	b = append(b, withExceptions)
	bitmap := len(b)
	b = slices.Grow(b, bitmapSize(len(values)))[:bitmap+bitmapSize(len(values))]
	clear(b[bitmap:])
	for i := range values {
		if plain(&points[i], &values[i]) {
			b = appendPlain(b, &points[i], &values[i])
			continue
		}
		b[bitmap+i/8] |= 1 << (i % 8)
		b = appendException(b, &points[i], &values[i])
	}
	return b
}

// bitmapSize returns the bytes of a bitmap of n bits.
func bitmapSize(n int) int { return (n + 7) / 8 }

// finish closes the parcel under way.
func (p *packer) finish() {
	if len(p.frames) == 0 {
		return
	}
	value := make([]byte, checksumSize, checksumSize+2+len(p.ids)*len(layoutID{})+len(p.frames))
	value = binary.AppendUvarint(append(value, framesKind), uint64(len(p.ids)))
	for i := range p.ids {
		value = append(value, p.ids[i][:]...)
	}
	p.parcels = append(p.parcels, parcel{at: p.at, value: append(value, p.frames...)})
	p.ids, p.last, p.frames = p.ids[:0], "", p.frames[:0]
}

func sharedPrefix[T string | []byte](a, b T) int {
	n := min(len(a), len(b))
	for i := range n {
		if a[i] != b[i] {
			return i
		}
	}
	return n
}
