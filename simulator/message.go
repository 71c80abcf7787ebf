package simulator

import (
	"time"

	"ringwarden/fleet"
)

// What controllers tell each other. A message starts at its origin and every unit hands it to the next, one hop
// later, until it is back at the unit whose address it bears. Whoever does not act on a message still hands it on.
type message struct {
	due     time.Duration // when it reaches the unit that it is going to
	to      int           // index of that unit
	origin  int           // index of the unit that started it
	address int           // ring address of that unit
	tries   int           // frames that may still carry it over this hop
	subject subject
	call    uint32      // which call: a later one has a higher number
	stage   fleet.Stage // of a call
	celsius float64     // of a shared temperature
}

type subject uint8

const (
	sharedCall subject = iota
	sharedTemperature
	sharedTrip
)

const (
	repeats     = 5                // frames in a row that carry a message over a hop, so that an odd bad one loses none
	callEvery   = 5 * time.Second  // whoever keeps a call repeats it this often, for units that wake
	callGone    = 8 * time.Second  // after this much silence another unit keeps the call
	senseEvery  = 10 * time.Second // the reference shares its sensor's reading this often
	senseGone   = 2 * time.Minute  // a shared temperature older than this is not used
	tripEvery   = 5 * time.Second  // the detector repeats a standing trip this often
	fallback    = 25.0             // °C: what a unit uses that knows no temperature
	mailPerUnit = 64               // messages under way for each unit of a ring, at most
	mailForOne  = 256              // and this many more for the ring as a whole
	noTimeYet   = time.Duration(-1 << 62)
	defaultHop  = 500 * time.Millisecond
)

// A mailbag holds the messages under way in the order in which they are due. Since every hop takes equally long, that
// is the order in which they were sent. When the bag is full a message is lost, as it would be in a damaged frame.
type mailbag struct {
	messages []message // a queue in a circle
	first, n int
}

func newMailbag(units int) mailbag {
	return mailbag{messages: make([]message, min(64, mailForOne+mailPerUnit*units))}
}

func (b *mailbag) push(m message, most int) {
	if b.n == len(b.messages) {
		if b.n >= most {
			return
		}
		grown := make([]message, min(most, 2*b.n))
		for i := range b.n {
			grown[i] = b.messages[(b.first+i)%b.n]
		}
		b.messages, b.first = grown, 0
	}
	b.messages[(b.first+b.n)%len(b.messages)] = m
	b.n++
}

// pop returns the next message that is due by an instant.
func (b *mailbag) pop(by time.Duration) (message, bool) {
	if b.n == 0 || b.messages[b.first].due > by {
		return message{}, false
	}
	m := b.messages[b.first]
	b.first = (b.first + 1) % len(b.messages)
	b.n--
	return m, true
}

// send starts a message at a unit.
func (r *ring) send(from *unit, at time.Duration, m message) {
	m.origin, m.address = from.index, from.address
	r.forward(from.index, at, m)
}

// forward hands a message to the next unit.
func (r *ring) forward(from int, at time.Duration, m message) {
	to := (from + 1) % len(r.units)
	if !r.links[to].wired {
		return
	}
	m.to, m.due, m.tries = to, at+r.hop, repeats
	r.mail.push(m, mailForOne+mailPerUnit*len(r.units))
}

// deliver hands out everything that is due by an instant.
func (r *ring) deliver(by time.Duration) {
	for {
		m, ok := r.mail.pop(by)
		if !ok {
			return
		}
		sender := &r.units[(m.to+len(r.units)-1)%len(r.units)]
		to := &r.units[m.to]
		switch {
		case sender.dead || to.dead:
		case r.links[m.to].carries(r.rng):
			if r.receive(to, &m) {
				r.forward(m.to, m.due, m)
			}
		case m.tries > 1:
			m.tries--
			m.due += r.hop
			r.mail.push(m, mailForOne+mailPerUnit*len(r.units))
		}
	}
}

// receive lets a unit act on a message and reports whether it hands it on.
func (r *ring) receive(u *unit, m *message) bool {
	if m.address == u.address {
		return false // it is back, or so it seems to a unit that bears another's address
	}
	switch m.subject {
	case sharedTemperature:
		if u.reference {
			return false // its own word counts from here on
		}
		if u.enabled {
			u.shared, u.sharedAt = m.celsius, m.due
		}
	case sharedTrip:
		if u.enabled && u.trips && u.stage != fleet.Fault {
			u.enter(fleet.Fault, m.due)
			u.sharedTrip = true
		}
	case sharedCall:
		if u.enabled {
			u.hear(m)
		}
	}
	return true
}

// hear takes note of a call and follows it if it is new to a unit that is charging.
func (u *unit) hear(m *message) {
	if m.call < u.call {
		return
	}
	if u.keeper && (m.call > u.call || m.origin < u.index) {
		u.keeper = false // two keep the call: one is enough
	}
	newer := m.call > u.call
	u.call, u.heard = m.call, m.due
	switch {
	case u.stuck || m.call <= u.declined:
	case u.stage == fleet.Bulk, u.stage == fleet.Absorption,
		newer && (u.stage == fleet.Float || u.stage == fleet.Equalize) && u.stage != m.stage:
		u.enter(m.stage, m.due)
	}
}

// start begins a new call at a unit that takes part.
func (r *ring) start(u *unit, stage fleet.Stage, at time.Duration) {
	u.enter(stage, at)
	if !u.enabled {
		return
	}
	r.calls++
	u.call, u.keeper, u.saidAt = r.calls, true, at
	r.send(u, at, message{subject: sharedCall, call: u.call, stage: stage})
}

// share lets a unit say what it has to say again.
func (r *ring) share(u *unit, now time.Duration) {
	if (u.reference || u.own) && now-u.sensedAt >= senseEvery {
		u.sense(r.bank.temperature, r.rng)
		u.sensedAt = now
		if u.reference && u.enabled && u.sensor != sensorUnplugged {
			r.send(u, now, message{subject: sharedTemperature, celsius: u.sensed})
		}
	}
	if u.detector && u.enabled && u.stage == fleet.Fault && r.grounded > 0 && now-u.trippedAt >= tripEvery {
		u.trippedAt = now
		r.send(u, now, message{subject: sharedTrip})
	}
	if u.enabled && u.stage.Coordinated() {
		r.keep(u, now)
	} else {
		u.keeper = false
	}
}

// keep repeats the call that holds, from one unit, so that those that wake learn of it. When the one that kept it
// stops, another takes over; the later in the ring, the longer it waits.
func (r *ring) keep(u *unit, now time.Duration) {
	silence := now - max(u.heard, u.since)
	if !u.keeper && silence > callGone+time.Duration(u.index)*r.hop {
		u.keeper, u.saidAt = true, now-callEvery
	}
	if u.keeper && now-u.saidAt >= callEvery {
		u.saidAt = now
		r.send(u, now, message{subject: sharedCall, call: u.call, stage: u.stage})
	}
}
