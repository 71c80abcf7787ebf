package alerts

import (
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"ringwarden/fleet"
)

// memoryFormat is the version of what State writes.
const memoryFormat = 1

// A remembered is an engine's state as it is written down, in JSON with the detectors' tracks as packed bytes in it.
type remembered struct {
	Format  int
	At      time.Time
	Shape   uint64 // of the tracks: a program that remembers other things learns anew
	Orders  []Order
	Watches []watchMemory
	Tracks  map[fleet.Subject][]byte // of sites, rings, controllers and links, by id
}

// A watchMemory is what the alarm itself, as the store keeps it, does not say.
type watchMemory struct {
	Kind    fleet.Kind
	Subject fleet.Subject
	Hold    HoldState
	Told    time.Time
	Shelf   Shelving
}

var tracksShape = shape(reflect.TypeFor[struct {
	siteTracks
	ringTracks
	unitTracks
	linkTracks
}]())

// State returns what the engine remembers beside the alarms themselves: delays under way, shelvings and orders with who
// and why, and what the detectors know of every controller and cable. Keep it beside the alarms, and give it to
// [Engine.Remember] after a restart. It takes some hundred bytes for each controller.
func (e *Engine) State() []byte {
	m := remembered{Format: memoryFormat, At: e.now, Shape: tracksShape, Orders: e.orders, Tracks: map[fleet.Subject][]byte{}}
	for _, w := range e.watches {
		if w.hold != (HoldState{}) || !w.shelf.none() {
			m.Watches = append(m.Watches, watchMemory{Kind: w.key.Kind, Subject: w.key.Subject, Hold: w.hold, Told: w.told, Shelf: w.shelf})
		}
	}
	e.tracks(func(subject fleet.Subject, v reflect.Value) {
		m.Tracks[subject] = appendPlain(nil, v)
	})
	data, err := json.Marshal(m)
	if err != nil {
		panic("alerts: state: " + err.Error()) // instants beyond the year 9999 alone, and Put takes none
	}
	return data
}

// tracks calls visit for everything that detectors remember something of.
func (e *Engine) tracks(visit func(fleet.Subject, reflect.Value)) {
	for _, s := range e.sites {
		visit(fleet.Subject(s.id), reflect.ValueOf(&s.siteTracks).Elem())
		for _, r := range s.rings {
			visit(fleet.Subject(r.f.ID), reflect.ValueOf(&r.ringTracks).Elem())
			for _, u := range r.units {
				visit(fleet.Subject(u.c.ID), reflect.ValueOf(&u.unitTracks).Elem())
			}
			for _, l := range r.links {
				visit(fleet.Subject(l.id), reflect.ValueOf(&l.linkTracks).Elem())
			}
		}
	}
}

// Remember brings back a state. Call it before [Engine.Restore] and before the first frame. What is of another version
// of this program, or of a part of the fleet that is no more, is left out and learned anew; an error says that the
// state cannot be read at all, and changes nothing.
func (e *Engine) Remember(state []byte) error {
	var m remembered
	if err := json.Unmarshal(state, &m); err != nil {
		return fmt.Errorf("reading what the alarm engine remembered: %w; it learns anew", err)
	}
	if m.Format != memoryFormat {
		return fmt.Errorf("reading what the alarm engine remembered: it is in format %d and this program knows %d; it learns anew", m.Format, memoryFormat)
	}
	for i := range m.Orders {
		if e.reaches(&m.Orders[i]) {
			e.orders = append(e.orders, m.Orders[i])
		}
	}
	for i := range m.Watches {
		k := &m.Watches[i]
		if w, ok := e.byKey[fleet.AlarmKey{Kind: k.Kind, Subject: k.Subject}]; ok {
			w.hold, w.told, w.shelf = k.Hold, k.Told, k.Shelf
		}
	}
	if m.Shape == tracksShape {
		e.tracks(func(subject fleet.Subject, v reflect.Value) {
			if packed, ok := m.Tracks[subject]; ok {
				kept := reflect.New(v.Type()).Elem()
				if rest, err := takePlain(packed, kept); err == nil && len(rest) == 0 {
					reflect.NewAt(v.Type(), field(v)).Elem().Set(kept)
				}
			}
		})
	}
	return nil
}
