package draw

import (
	"math"
	"strconv"

	"ringwarden/fleet"
)

// unit draws controller i.
func (c *canvas) unit(l *ringLayout, i int, u *RingUnit) {
	c.start("g", "class", "dr-unit "+u.State.Class(), "data-id", u.ID)
	c.linked(u.Href, u.sentence())
	x, y := l.at(l.angles[i], 0)
	switch l.kind {
	case cards:
		c.card(l, i, u, x, y)
	case discs:
		c.disc(l, i, u, x, y)
	default:
		c.tick(l, i, u)
	}
	c.unlinked(u.Href)
	c.end()
}

// A card is how a controller is written where there is room: its lines from the top.
type card struct {
	name, facts, note []string
}

const (
	cardLeft  = 18.0 // of the words: the stage's pattern stands before them
	cardRight = 6.0
	cardMark  = 16.0 // for the mark of what is abnormal
)

// card lays out a controller's words. On a phone its power has a line of its own.
func (l *ringLayout) card(u *RingUnit) card {
	room := l.cardW - cardLeft - cardRight
	named := room
	if u.State != Calm && !l.narrow {
		named -= cardMark
	}
	w := card{name: wrap(u.Name, named, normal), facts: []string{u.Stage.String()}}
	switch {
	case u.Number == "":
	case l.narrow:
		w.facts = append(w.facts, u.Number)
	default:
		w.facts[0] += " · " + u.Number
	}
	if u.State != Calm {
		w.note = wrap(u.note(), room, strong)
	}
	return w
}

func (w *card) height() float64 { return 13 + 15*float64(len(w.name)+len(w.facts)+len(w.note)) }

// card draws a controller as a card: its stage's pattern at the left edge, then its words.
func (c *canvas) card(l *ringLayout, i int, u *RingUnit, x, y float64) {
	h, words := l.tall[i], l.card(u)
	x0, y0 := x-l.cardW/2, y-h/2
	c.empty("rect", "dr-card", "x", x0, "y", y0, "width", l.cardW, "height", h, "rx", 5.0)
	if u.Stage != fleet.StageUnknown && int(u.Stage) < len(looks) {
		c.stageBox(u.Stage, x0+4, y0+4, 8, h-8)
	} else {
		c.empty("rect", "dr-none", "x", x0+4, "y", y0+4, "width", 8.0, "height", h-8, "fill", c.url("none"))
	}
	at, room, line := x0+cardLeft, l.cardW-cardLeft-cardRight, y0+17
	write := func(class string, size float64, lines []string) {
		for _, s := range lines {
			c.text(class, left, at, line, room, size, s)
			line += 15
		}
	}
	write("dr-name", normal, words.name)
	if u.State != Calm {
		where := y0 + 13
		if l.narrow {
			where = line - 4
		}
		c.mark(u.State, x0+l.cardW-12, where, 6)
	}
	write("dr-quiet", small, words.facts)
	write("dr-strong "+u.State.Class()+"-text", strong, words.note)
}

// disc draws a controller as a disc with its place in the ring, and its name outside if there is room.
func (c *canvas) disc(l *ringLayout, i int, u *RingUnit, x, y float64) {
	c.empty("circle", "dr-touch-area", "cx", x, "cy", y, "r", min(12, l.spacing/2))
	c.empty("circle", "dr-card", "cx", x, "cy", y, "r", l.dot)
	number := strconv.Itoa(i + 1)
	if l.dot >= 8 {
		c.plain("dr-tiny", middle, x, y+3.5, number)
	} else {
		c.place(l, i, 5)
	}
	if u.State != Calm {
		mx, my := l.at(l.angles[i], l.dot+9)
		c.mark(u.State, mx, my, 6)
	}
	if l.names > 0 {
		c.radial(l, i, u)
	}
}

// radial writes a name along the radius, always readable from the left.
func (c *canvas) radial(l *ringLayout, i int, u *RingUnit) {
	angle := l.angles[i]
	x, y := l.at(angle, l.dot+19)
	turn, anchor := angle*180/math.Pi-90, left
	if angle > math.Pi {
		turn, anchor = turn+180, right
	}
	t := append([]byte("translate("), number(nil, x)...)
	t = append(number(append(t, ' '), y), ") rotate("...)
	c.start("g", "transform", string(append(number(t, turn), ')')))
	c.text("dr-quiet", anchor, 0, 4, l.names-22, small, u.Name)
	c.end()
}

// tick draws one of very many controllers: a short line across the ring.
func (c *canvas) tick(l *ringLayout, i int, u *RingUnit) {
	x0, y0 := l.at(l.angles[i], -5)
	x1, y1 := l.at(l.angles[i], 5)
	c.line("dr-stub", x0, y0, x1, y1)
	if u.State != Calm {
		mx, my := l.at(l.angles[i], 13)
		c.mark(u.State, mx, my, 6)
	}
	c.place(l, i, 10)
}

// place writes a controller's place in the ring inside it, for the first one and for each one that step divides.
func (c *canvas) place(l *ringLayout, i, step int) {
	if n := i + 1; i == 0 || n%step == 0 && n < len(l.angles) {
		x, y := l.at(l.angles[i], -18)
		c.plain("dr-tiny", middle, x, y+3.5, strconv.Itoa(n))
	}
}

// A listed thing is abnormal and had no room for words at its place.
type listed struct {
	state State
	words string
	href  string
}

// unsaid returns what is abnormal and has no words at its place.
func (r *Ring) unsaid(l *ringLayout) []listed {
	var out []listed
	for i := range r.Controllers {
		if u := &r.Controllers[i]; u.State.Abnormal() && l.kind != cards {
			words := strconv.Itoa(i+1) + " " + fit(u.Name, l.w/3, strong) + ": " + u.note() + ", " + u.Stage.String()
			if u.Number != "" {
				words += ", " + u.Number
			}
			out = append(out, listed{u.State, words, u.Href})
		}
	}
	for i := range r.linkCount() {
		k := r.at(i)
		if s := k.Health.State(); s.Abnormal() && !l.labels[i].ok {
			words := strconv.Itoa(i+1) + " → " + strconv.Itoa((i+1)%len(r.Controllers)+1) + " " + k.word()
			if k.Number != "" {
				words += ", " + k.Number
			}
			out = append(out, listed{s, words, k.Href})
		}
	}
	return out
}

func (r *Ring) listHeight(l *ringLayout) float64 {
	n := len(r.unsaid(l))
	if n == 0 {
		return 0
	}
	return 10 + 20*float64(min(n, listMost+1))
}

// list writes below the ring what is abnormal and could not be said at its place.
func (c *canvas) list(l *ringLayout, r *Ring) {
	y := l.h + 14
	all := r.unsaid(l)
	for i, a := range all {
		if i == listMost {
			c.plain("dr-quiet", left, 28, y, "and "+strconv.Itoa(len(all)-i)+" more")
			return
		}
		c.start("g")
		c.linked(a.href, a.words)
		c.mark(a.state, 16, y-4, 6)
		c.text("dr-strong "+a.state.Class()+"-text", left, 28, y, l.w-36, strong, a.words)
		c.unlinked(a.href)
		c.end()
		y += 20
	}
}
