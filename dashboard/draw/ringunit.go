package draw

import (
	"math"
	"strconv"

	"ringwarden/fleet"
)

// unit draws controller i.
func (c *canvas) unit(l *ringLayout, i int, u *RingUnit) {
	c.start("g", "class", "dr-unit "+u.State.Class(), "data-id", u.ID)
	c.start("title").chars(u.sentence()).end()
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

// card draws a controller as a card: its stage's pattern at the left edge, its name, its stage and number, its note.
func (c *canvas) card(l *ringLayout, i int, u *RingUnit, x, y float64) {
	h := l.tall[i]
	x0, y0 := x-l.cardW/2, y-h/2
	c.empty("rect", "dr-card", "x", x0, "y", y0, "width", l.cardW, "height", h, "rx", 5.0)
	if u.Stage != fleet.StageUnknown && int(u.Stage) < len(looks) {
		c.stageBox(u.Stage, x0+4, y0+4, 8, h-8)
	} else {
		c.empty("rect", "dr-none", "x", x0+4, "y", y0+4, "width", 8.0, "height", h-8, "fill", c.url("none"))
	}
	at, room := x0+18, l.cardW-24
	named := room
	if u.State != Calm {
		c.mark(u.State, x0+l.cardW-12, y0+13, 6)
		named -= 14
	}
	c.text("dr-name", left, at, y0+18, named, normal, u.Name)
	words, line := u.Stage.String(), y0+33
	switch {
	case l.narrow && u.Number != "" && u.Stage != fleet.StageUnknown:
		c.text("dr-quiet", left, at, line+15, room, small, u.Number)
		c.text("dr-quiet", left, at, line, room, small, words)
		line += 15
	case u.Number != "":
		c.text("dr-quiet", left, at, line, room, small, words+" · "+u.Number)
	default:
		c.text("dr-quiet", left, at, line, room, small, words)
	}
	if u.State != Calm {
		c.text("dr-strong "+u.State.Class()+"-text", left, at, line+16, room+2, strong, u.note())
	}
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
		c.linked(a.href, a.words)
		c.mark(a.state, 16, y-4, 6)
		c.text("dr-strong "+a.state.Class()+"-text", left, 28, y, l.w-36, strong, a.words)
		c.unlinked(a.href)
		y += 20
	}
}
