package draw

import "math"

// link draws cable i: its line, its shape if it is abnormal, and its word and number where there is room.
func (c *canvas) link(l *ringLayout, i int, k RingLink, names string) {
	sentence := "cable " + names + ": " + k.word()
	if k.Number != "" {
		sentence += ", " + k.Number
	}
	class := "dr-link "
	if l.kind == cards {
		class += "dr-long " // the focus shows on the line itself, not on a box about it
	}
	c.start("g", "class", class+k.Health.State().Class(), "data-id", k.ID)
	c.linked(k.Href, sentence)
	arc := l.arc(i)
	half := len(arc) / 2
	c.path("dr-touch", l.along(arc, 0))
	switch k.Health {
	case LinkGood:
		c.path("dr-cable", l.along(arc, 0))
		if l.spacing > 24 {
			c.chevron(l, arc[half], 0, "dr-chevron")
		}
	case LinkNoisy:
		c.path("dr-cable dr-jagged", l.jagged(arc))
	case LinkDown:
		c.broken(l, arc)
	default:
		c.path("dr-cable dr-dotted", l.along(arc, 0))
	}
	c.linkWords(l, i, arc[half], &k)
	c.unlinked(k.Href)
	c.end()
}

// along returns the path through the angles, moved outwards.
func (l *ringLayout) along(arc []float64, out float64) string {
	var d pen
	for _, a := range arc {
		d.to(l.at(a, out))
	}
	return string(d.b)
}

// jagged returns the path of a noisy cable: a zigzag.
func (l *ringLayout) jagged(arc []float64) string {
	var d pen
	swing := min(4, l.spacing/4)
	stride := 1
	if l.spacing > 40 {
		stride = 2
	}
	for k := 0; k < len(arc); k += stride {
		out := 0.0
		if k > 0 && k < len(arc)-stride {
			out = swing * float64(1-2*(k/stride%2))
		}
		d.to(l.at(arc[k], out))
	}
	return string(d.b)
}

// broken draws a cable that lets nothing through: it stops at two bars with nothing between.
func (c *canvas) broken(l *ringLayout, arc []float64) {
	n := len(arc)
	hole := max(1, min(n/2-1, 6))
	if l.kind != cards {
		hole = max(1, min(n/2-1, 2))
	}
	a, b := max(1, n/2-hole), min(n-1, n/2+hole)
	c.path("dr-cable", l.along(arc[:a], 0))
	c.path("dr-cable", l.along(arc[b:], 0))
	bar := min(7, max(3, l.spacing/4))
	for _, angle := range []float64{arc[a-1], arc[b]} {
		x0, y0 := l.at(angle, -bar)
		x1, y1 := l.at(angle, bar)
		c.line("dr-cable", x0, y0, x1, y1)
	}
}

// chevron draws an arrow head that points clockwise.
func (c *canvas) chevron(l *ringLayout, angle, out float64, class string) {
	x, y := l.at(angle, out)
	nx, ny := l.outward(angle)
	tx, ty := -ny, nx
	t := &trail{}
	t.op('M', x-3*tx+4*nx, y-3*ty+4*ny).op('L', x+3*tx, y+3*ty).op('L', x-3*tx-4*nx, y-3*ty-4*ny)
	c.path(class, t.String())
}

// linkWords writes the word and number where the layout found room, and the shape of what is abnormal.
func (c *canvas) linkWords(l *ringLayout, i int, angle float64, k *RingLink) {
	state := k.Health.State()
	class, size := "dr-quiet", small
	if state.Abnormal() {
		class, size = "dr-strong "+state.Class()+"-text", strong
		inside, radius := 0.0, 8.0
		if l.kind != cards {
			inside, radius = -14, 6
		}
		x, y := l.at(angle, inside)
		if inside == 0 {
			c.empty("circle", "dr-ground", "cx", x, "cy", y, "r", 11.0)
		}
		c.mark(state, x, y, radius)
	}
	if at := l.labels[i]; at.ok {
		c.text(class, at.anchor, at.x, at.y, labelRoom, size, k.word())
		c.text(class, at.anchor, at.x, at.y+lineHeight, labelRoom, size, k.Number)
	}
}

// openEnd shows that no cable closes the ring: two stubs and a word between the last controller and the first.
func (c *canvas) openEnd(l *ringLayout) {
	arc := l.arc(len(l.angles) - 1)
	stub := max(1, len(arc)/6)
	c.start("g", "class", "dr-aside")
	c.path("dr-cable dr-dotted", l.along(arc[:stub+1], 0))
	c.path("dr-cable dr-dotted", l.along(arc[len(arc)-stub-1:], 0))
	if l.open.ok {
		c.plain("dr-quiet", l.open.anchor, l.open.x, l.open.y+lineHeight/2, "open")
	}
	c.end()
}

// call draws how far a coordinated change has come: a line outside the cables from its starter to the last one that
// followed without a gap, with arrow heads in its direction.
func (c *canvas) call(l *ringLayout, r *Ring) {
	n := len(r.Controllers)
	if r.Call == nil || n < 2 {
		return
	}
	start, hops := r.Call.run(n, r.linkCount())
	if hops == 0 {
		return
	}
	c.start("g", "class", "dr-call")
	c.start("title").chars(r.Call.word(n)).end()
	from := l.angles[start]
	to := l.angles[(start+hops)%n]
	if to <= from {
		to += 2 * math.Pi
	}
	var d pen
	steps := max(8, int(l.spacing*float64(hops)/4))
	every := max(1, steps/max(1, int(l.spacing*float64(hops)/60)))
	for k := range steps + 1 {
		angle := from + (to-from)*float64(k)/float64(steps)
		d.to(l.at(angle, 9))
		if k%every == every/2 || k == steps {
			c.chevron(l, angle, 9, "dr-call-head")
		}
	}
	c.path("dr-call-line", string(d.b))
	c.end()
}

// run returns where a call's line begins and how many hops long it is.
func (call *RingCall) run(n, links int) (start, hops int) {
	reached := make([]bool, n)
	all := true
	for _, i := range call.Reached {
		if i >= 0 && i < n {
			reached[i] = true
		}
	}
	for i := range reached {
		all = all && reached[i]
	}
	switch start = call.Starter; {
	case start >= n || start < 0 && !all:
		return 0, 0
	case start < 0:
		return 0, links
	}
	for i := start; i < links && reached[(i+1)%n] && hops < n-1; i = (i + 1) % n {
		hops++
	}
	return start, hops
}
