package draw

// notes are the words written into a plot so far, so that none is written over another.
type notes struct {
	p     *plot
	taken []box
}

// write puts words at the first of the places that is free and inside, and reports whether there was one. A place is
// the near end of the words, and which end that is.
func (n *notes) write(c *canvas, class, s string, places ...place) bool {
	room := min((n.p.right-n.p.left)*0.6, 220)
	w := textWidth(fit(s, room, small), small)
	for _, at := range places {
		b := box{at.x, at.y - 11, at.x + w, at.y + 4}
		if at.anchor == right {
			b.x0, b.x1 = at.x-w, at.x
		}
		if b.x0 < n.p.left || b.x1 > n.p.right+4 || b.y0 < n.p.top-14 || b.y1 > n.p.bottom+4 || n.meets(b) {
			continue
		}
		n.taken = append(n.taken, b)
		c.text(class, at.anchor, at.x, at.y, room, small, s)
		return true
	}
	return false
}

func (n *notes) meets(b box) bool {
	for _, t := range n.taken {
		if b.meets(t) {
			return true
		}
	}
	return false
}

type place struct {
	anchor string
	x, y   float64
}

// level draws a line to compare with, its name above it at either end, or below it.
func (c *canvas) level(n *notes, l Level) {
	p := n.p
	if !finite(l.Value) || l.Value < p.scale.low || l.Value > p.scale.high {
		return
	}
	y := p.y(l.Value)
	c.line("dr-level", p.left, y, p.right, y)
	n.write(c, "dr-note", l.Name, place{right, p.right - 4, y - 4}, place{left, p.left + 4, y - 4},
		place{right, p.right - 4, y + 13}, place{left, p.left + 4, y + 13})
}

// eventRows is in how many rows the marks of events stand, so that neighbours find room for their words. An event that
// finds none keeps its mark, and its words in the title.
const eventRows = 4

func (c *canvas) event(n *notes, e Event) {
	p := n.p
	if e.At.Before(p.from) || e.At.After(p.to) {
		return
	}
	x := p.x(e.At)
	c.start("g", "class", "dr-event "+e.State.Class())
	c.start("title").chars(e.At.In(p.zone).Format("2 Jan 15:04") + " " + e.Word).end()
	c.line("dr-event-line", x, p.top, x, p.bottom)
	y := p.top + 7
	for range eventRows {
		m := box{x - 6, y - 6, x + 6, y + 6}
		if !n.meets(m) && n.write(c, "dr-note", e.Word, place{left, x + 9, y + 4}, place{right, x - 9, y + 4}) {
			n.taken = append(n.taken, m)
			break
		}
		y += 16
	}
	c.mark(e.State, x, min(y, p.top+7+16*eventRows), 5)
	c.end()
}
