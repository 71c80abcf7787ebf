package store

import (
	"errors"
	"time"

	"ringwarden/fleet"
)

var errMalformed = errors.New("its bytes make no sense")

// An unpacker takes journal values apart.
type unpacker struct {
	layout func(layoutID) (*fleet.Layout, error)
	// want says which frames are worth decoding; nil: all.
	want func(controller []byte, g fleet.Group, o fleet.Outcome) bool

	names map[string]fleet.ControllerID // one string for each controller met, whatever the number of its frames
	last  []byte
	ids   []layoutID
}

// unpack appends the wanted frames of a journal value's body to dst. If any part of the value makes no sense, it
// returns dst as it was, and why.
func (u *unpacker) unpack(dst []fleet.Frame, at time.Time, body []byte) ([]fleet.Frame, error) {
	w := wire{b: body}
	if w.octet() != framesKind {
		return dst, errMalformed
	}
	u.ids, u.last = u.ids[:0], u.last[:0]
	for range w.count() {
		var id layoutID
		copy(id[:], w.take(uint64(len(id))))
		u.ids = append(u.ids, id)
	}
	all := dst
	for !w.bad && len(w.b) > 0 {
		frame := wire{b: w.take(w.uvarint())}
		if w.bad {
			break
		}
		f, wanted, err := u.frame(&frame)
		if err != nil {
			return dst, err
		}
		if wanted {
			f.At = at
			all = append(all, f)
		}
	}
	if w.bad {
		return dst, errMalformed
	}
	return all, nil
}

func (u *unpacker) frame(w *wire) (f fleet.Frame, wanted bool, err error) {
	shared := w.uvarint()
	rest := w.take(w.uvarint())
	f.Group, f.Outcome = fleet.Group(w.octet()), fleet.Outcome(w.octet())
	f.Late, f.Took = time.Duration(w.varint()), time.Duration(w.varint())
	place := w.uvarint()
	if w.bad || shared > uint64(len(u.last)) || place > uint64(len(u.ids)) {
		return f, false, errMalformed
	}
	u.last = append(u.last[:shared], rest...)
	if u.want != nil && !u.want(u.last, f.Group, f.Outcome) {
		return f, false, nil
	}
	f.Controller = u.name(u.last)
	if place > 0 {
		if f.Layout, err = u.layout(u.ids[place-1]); err != nil {
			return f, false, err
		}
		f.Values = w.values(f.Layout.Points)
	}
	if !w.done() {
		return f, false, errMalformed
	}
	return f, true, nil
}

func (w *wire) values(points []fleet.Point) []fleet.Value {
	var bitmap []byte
	switch w.octet() {
	case allPlain:
	case withExceptions:
		bitmap = w.take(uint64(bitmapSize(len(points))))
	default:
		w.fail()
	}
	if w.bad || len(points) > len(w.b) {
		w.fail()
		return nil
	}
	values := make([]fleet.Value, len(points))
	for i := range values {
		if bitmap != nil && bitmap[i/8]&(1<<(i%8)) != 0 {
			values[i] = w.exception(&points[i])
		} else {
			values[i] = w.plain(&points[i])
		}
	}
	return values
}

func (u *unpacker) name(id []byte) fleet.ControllerID {
	if name, ok := u.names[string(id)]; ok {
		return name
	}
	if u.names == nil {
		u.names = make(map[string]fleet.ControllerID)
	}
	name := fleet.ControllerID(id)
	u.names[string(name)] = name
	return name
}
