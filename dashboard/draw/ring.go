package draw

import (
	"fmt"
	"html/template"
	"strconv"

	"ringwarden/fleet"
)

// A Ring shows controllers in their order round the bank that they charge, clockwise from the top, and the cables
// between them. Few controllers are cards with names; more are numbered discs; very many are ticks. Where there is no
// room for words at the place, what is abnormal is listed below the ring.
type Ring struct {
	ID          string
	Title, Desc string
	Width       int // pixels; 0: 640
	Controllers []RingUnit
	// Links[i] leads from controller i to the next one; the last one closes the ring. Missing ones are not known.
	Links []RingLink
	Open  bool     // no cable closes the ring
	Bank  []string // lines in the middle; the first one is large, as in "27.4 V"
	Call  *RingCall
}

// A RingUnit is one controller.
type RingUnit struct {
	ID     string // becomes data-id
	Name   string
	Href   string // a path of our own pages; empty: not a link
	Stage  fleet.Stage
	Number string // as in "412 W"
	State  State
	Note   string // what is the matter, in a few words; shown where State is not Calm
}

// A Health is how a cable does.
type Health uint8

// The health of cables, each with a line of its own: even, jagged, broken, dotted.
const (
	LinkUnknown Health = iota
	LinkGood
	LinkNoisy
	LinkDown
)

var healthWords = [...]string{"not known", "good", "noisy", "no frames"}

// String returns the word that people see.
func (h Health) String() string { return healthWords[min(int(h), len(healthWords)-1)] }

// State returns how urgent the health looks.
func (h Health) State() State {
	return [...]State{Silent, Calm, Warn, Alarm}[min(int(h), 3)]
}

// A RingLink is one cable.
type RingLink struct {
	ID     string // becomes data-id
	Href   string
	Health Health
	Word   string // instead of the health's own word
	Number string // as in "0.3 %"
}

func (l *RingLink) word() string {
	if l.Word != "" {
		return l.Word
	}
	return l.Health.String()
}

// A RingCall is a coordinated stage change on its way round the ring.
type RingCall struct {
	Stage   fleet.Stage
	Starter int   // index of the controller that began; -1: nobody knows, and a call that reached all is drawn all the way round
	Reached []int // indexes of those that followed
}

// SVG draws the ring.
func (r Ring) SVG() template.HTML {
	l := r.layout()
	c := begin("ring", "group", r.ID, r.Title, r.describe(), l.w, l.h+r.listHeight(l))
	c.start("defs")
	c.hatching()
	c.stagePatterns()
	c.end()
	for i := range r.linkCount() {
		c.link(l, i, r.at(i), r.names(i))
	}
	if r.Open && len(r.Controllers) > 1 {
		c.openEnd(l)
	}
	c.call(l, &r)
	c.bank(l)
	for i := range r.Controllers {
		c.unit(l, i, &r.Controllers[i])
	}
	c.list(l, &r)
	return c.html()
}

func (r *Ring) linkCount() int {
	n := len(r.Controllers)
	switch {
	case n < 2:
		return 0
	case r.Open:
		return n - 1
	}
	return n
}

// at returns link i, or an unknown one.
func (r *Ring) at(i int) RingLink {
	if i < len(r.Links) {
		return r.Links[i]
	}
	return RingLink{}
}

// names says between whom link i is.
func (r *Ring) names(i int) string {
	n := len(r.Controllers)
	return fit(r.Controllers[i].Name, 300, small) + " → " + fit(r.Controllers[(i+1)%n].Name, 300, small)
}

// note says what is the matter, if only by its priority.
func (u *RingUnit) note() string {
	if u.Note == "" {
		return u.State.String()
	}
	return u.Note
}

func (u *RingUnit) sentence() string {
	s := u.Name + ": " + u.Stage.String()
	if u.Number != "" {
		s += ", " + u.Number
	}
	if u.State != Calm {
		s += ", " + u.note()
	}
	return s
}

// describe counts in words what the picture shows.
func (r *Ring) describe() string {
	var health [4]int
	for i := range r.linkCount() {
		l := r.at(i)
		health[min(int(l.Health), 3)]++
	}
	abnormal := 0
	for i := range r.Controllers {
		if r.Controllers[i].State.Abnormal() {
			abnormal++
		}
	}
	kind := "in a ring"
	if r.Open {
		kind = "in a line"
	}
	s := fmt.Sprintf("%s %s; %d abnormal. Cables: %d good, %d noisy, %d without frames, %d not known.",
		plural(len(r.Controllers), "controller", "controllers"), kind, abnormal,
		health[LinkGood], health[LinkNoisy], health[LinkDown], health[LinkUnknown])
	if r.Desc != "" {
		return r.Desc + " " + s
	}
	return s
}

// bank writes the lines in the middle.
func (c *canvas) bank(l *ringLayout) {
	y := l.cy - float64(len(l.lines)-1)*10 + 6
	for _, s := range l.lines {
		c.text(s.class, middle, l.cx, y, l.middle, s.size, s.text)
		y += 20
	}
}

func (call *RingCall) word(n int) string {
	reached := 1
	if call.Starter < 0 {
		reached = 0
	}
	for _, i := range call.Reached {
		if i >= 0 && i < n && i != call.Starter {
			reached++
		}
	}
	return call.Stage.String() + " call: " + strconv.Itoa(min(reached, n)) + " of " + strconv.Itoa(n)
}
