package store

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A layoutID is [fleet.Layout.ID] in bytes.
type layoutID [16]byte

func parseLayoutID(id string) (layoutID, error) {
	var l layoutID
	if hex.DecodedLen(len(id)) != len(l) {
		return l, fmt.Errorf("%w: layout id %q; make layouts with fleet.NewLayout", ErrInvalid, id)
	}
	if _, err := hex.Decode(l[:], []byte(id)); err != nil {
		return l, fmt.Errorf("%w: layout id %q: %w", ErrInvalid, id, err)
	}
	return l, nil
}

func (l layoutID) String() string { return hex.EncodeToString(l[:]) }

// layoutKind is the only kind of layout record so far.
const layoutKind = 1

// appendLayout appends the record of a layout. Quantities go by their words, since their numbers are no promise.
func appendLayout(b []byte, l *fleet.Layout) []byte {
	b = append(b, layoutKind)
	b = binary.AppendUvarint(b, uint64(len(l.Points)))
	for i := range l.Points {
		b = appendPoint(b, &l.Points[i])
	}
	return b
}

func appendPoint(b []byte, p *fleet.Point) []byte {
	for _, s := range []string{p.Name, p.Quantity.String(), string(p.Unit), p.ScaledBy} {
		b = appendText(b, s)
	}
	counter := byte(0)
	if p.Counter {
		counter = 1
	}
	b = append(b, byte(p.Form), p.Bits, counter)
	for _, f := range []float64{p.Mul, p.Div, p.Add} {
		b = appendFloat(b, f)
	}
	for _, names := range [][]fleet.Name{p.Names, p.Flags} {
		b = binary.AppendUvarint(b, uint64(len(names)))
		for _, n := range names {
			b = appendText(binary.AppendUvarint(b, n.Code), n.Word)
		}
	}
	return b
}

// decodeLayout reads what appendLayout wrote. A quantity that this program does not know, from a newer one, becomes
// none: the point still has its name and unit.
func decodeLayout(body []byte) (*fleet.Layout, bool) {
	w := wire{b: body}
	if w.octet() != layoutKind {
		return nil, false
	}
	points := make([]fleet.Point, w.count())
	for i := range points {
		points[i] = w.point()
	}
	if !w.done() {
		return nil, false
	}
	return fleet.NewLayout(points), true
}

func (w *wire) point() fleet.Point {
	p := fleet.Point{Name: w.text()}
	p.Quantity, _ = fleet.ParseQuantity(w.text())
	p.Unit = fleet.Unit(w.text())
	p.ScaledBy = w.text()
	p.Form = fleet.Form(w.octet())
	p.Bits = w.octet()
	p.Counter = w.octet() != 0
	p.Mul, p.Div, p.Add = w.float(), w.float(), w.float()
	p.Names, p.Flags = w.names(), w.names()
	return p
}

func (w *wire) names() []fleet.Name {
	n := w.count()
	if n == 0 {
		return nil
	}
	names := make([]fleet.Name, n)
	for i := range names {
		names[i] = fleet.Name{Code: w.uvarint(), Word: w.text()}
	}
	return names
}

// layoutsKept bounds the layouts held in memory. A fleet has one for each map and poll group, some dozens at most;
// when full, all are let go and read again as they are needed.
const layoutsKept = 1024

// A layoutBook holds layouts that are known to be in the file.
type layoutBook struct {
	mu    sync.Mutex
	known map[layoutID]*fleet.Layout
}

func (b *layoutBook) get(id layoutID) *fleet.Layout {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.known[id]
}

func (b *layoutBook) add(id layoutID, l *fleet.Layout) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.known == nil || len(b.known) >= layoutsKept {
		b.known = make(map[layoutID]*fleet.Layout)
	}
	b.known[id] = l
}

// layout returns the layout that a frame was written with. It must not be called inside a transaction.
func (s *Store) layout(id layoutID) (*fleet.Layout, error) {
	if l := s.layouts.get(id); l != nil {
		return l, nil
	}
	var body []byte
	var ok bool
	err := s.view(func(tx *bbolt.Tx) error {
		value := tx.Bucket(bucketLayouts).Get(id[:])
		if body, ok = unseal(id[:], value); ok {
			body = append([]byte(nil), body...)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if ok {
		var l *fleet.Layout
		if l, ok = decodeLayout(body); ok {
			s.layouts.add(id, l)
			return l, nil
		}
	}
	return nil, noLayout(id)
}

func noLayout(id layoutID) error {
	return errors.New("its layout " + id.String() + " is damaged or missing")
}

// putLayouts stores those that the file does not have in good order.
func (s *Store) putLayouts(tx *bbolt.Tx, layouts map[layoutID]*fleet.Layout) error {
	for id, l := range layouts {
		if s.layouts.get(id) != nil {
			continue
		}
		b := tx.Bucket(bucketLayouts)
		if _, ok := unseal(id[:], b.Get(id[:])); ok {
			continue
		}
		if err := b.Put(id[:], seal(id[:], appendLayout(nil, l))); err != nil {
			return err
		}
	}
	return nil
}
