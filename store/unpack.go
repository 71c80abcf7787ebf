package store

import (
	"bytes"
	"encoding/binary"
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

	// only names the one controller whose frames are worth decoding; nil: those that want says. It is the fast way: of
	// other controllers' frames nothing but the name is looked at.
	only []byte

	// recycle puts the values of an instant's frames into memory that the next instant uses again.
	recycle bool
	slab    []fleet.Value

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
	if u.only != nil && !w.bad {
		w.b = u.seek(w.b)
	}
	for !w.bad && len(w.b) > 0 {
		frame := wire{b: w.take(w.uvarint())}
		if w.bad {
			break
		}
		f, wanted, err := u.frame(&frame)
		if err != nil {
			return dst, err
		}
		switch {
		case wanted:
			f.At = at
			all = append(all, f)
		case u.only != nil:
			return all, nil // there are no more of it
		}
	}
	if w.bad {
		return dst, errMalformed
	}
	return all, nil
}

// seek returns the frames of a value from the first one on that is of the only wanted controller, nil if there is none;
// where they make no sense it returns what is left, for the caller to find out. Frames stand in the order of their
// controllers, each with as much of its name as differs from the one before: so most need no more than a look at how much
// that is.
func (u *unpacker) seek(frames []byte) []byte {
	common := uint64(0) // bytes that the name before has in common with the wanted one, which comes after it
	for i := 0; i < len(frames); {
		size, n := binary.Uvarint(frames[i:])
		head := i + max(n, 0)
		shared, m := binary.Uvarint(frames[head:])
		if n <= 0 || m <= 0 || size > uint64(len(frames)-head) {
			return frames[i:]
		}
		if shared <= common {
			length, k := binary.Uvarint(frames[head+m:])
			if k <= 0 || length > uint64(len(frames)-head-m-k) {
				return frames[i:]
			}
			rest := frames[head+m+k:][:length]
			switch same := uint64(sharedPrefix(rest, u.only[shared:])); {
			case shared+same == uint64(len(u.only)) && same == length:
				u.last = append(u.last[:0], u.only[:shared]...)
				return frames[i:]
			case same < length && (shared+same == uint64(len(u.only)) || rest[same] > u.only[shared+same]):
				return nil
			default:
				common = shared + same
			}
		}
		i = head + int(size)
	}
	return nil
}

func (u *unpacker) frame(w *wire) (f fleet.Frame, wanted bool, err error) {
	shared := w.uvarint()
	rest := w.take(w.uvarint())
	f.Group = fleet.Group(w.octet())
	outcome := w.octet()
	f.Outcome, f.Restamped = fleet.Outcome(outcome&^(outcomeRestamped|outcomeMillis)), outcome&outcomeRestamped != 0
	f.Late, f.Took = time.Duration(w.varint()), time.Duration(w.varint())
	if outcome&outcomeMillis != 0 {
		f.Late, f.Took = f.Late*time.Millisecond, f.Took*time.Millisecond
	}
	place := w.uvarint()
	if w.bad || shared > uint64(len(u.last)) || place > uint64(len(u.ids)) {
		return f, false, errMalformed
	}
	u.last = append(u.last[:shared], rest...)
	if u.only != nil && !bytes.Equal(u.last, u.only) || u.want != nil && !u.want(u.last, f.Group, f.Outcome) {
		return f, false, nil
	}
	f.Controller = u.name(u.last)
	if place > 0 {
		if f.Layout, err = u.layout(u.ids[place-1]); err != nil {
			return f, false, err
		}
		f.Values = w.values(f.Layout.Points, u.room(len(f.Layout.Points), len(w.b)))
	}
	if !w.done() {
		return f, false, errMalformed
	}
	return f, true, nil
}

func (w *wire) values(points []fleet.Point, values []fleet.Value) []fleet.Value {
	var bitmap []byte
	switch w.octet() {
	case allPlain:
	case withExceptions:
		bitmap = w.take(uint64(bitmapSize(len(points))))
	default:
		w.fail()
	}
	if w.bad || values == nil || len(points) > len(w.b) {
		w.fail()
		return nil
	}
	for i := range values {
		if bitmap != nil && bitmap[i/8]&(1<<(i%8)) != 0 {
			values[i] = w.exception(&points[i])
		} else {
			values[i] = w.plain(&points[i])
		}
	}
	return values
}

// room returns memory for n values, nil if the bytes left cannot hold as many.
func (u *unpacker) room(n, left int) []fleet.Value {
	switch {
	case n > left:
		return nil
	case !u.recycle:
		return make([]fleet.Value, n)
	case len(u.slab)+n > cap(u.slab):
		u.slab = make([]fleet.Value, 0, 2*cap(u.slab)+max(n, 1024)) // the old one is still in use
	}
	start := len(u.slab)
	u.slab = u.slab[:start+n]
	return u.slab[start : start+n : start+n]
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
