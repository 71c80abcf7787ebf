package draw

import "math"

// A ringKind is how controllers are drawn.
type ringKind uint8

const (
	cards ringKind = iota
	discs
	marks
)

// A ringLayout says where everything of a ring goes: an ellipse, with the controllers at even distances along it.
type ringLayout struct {
	kind           ringKind
	w, h           float64
	cx, cy, rx, ry float64
	cardW, cardH   float64   // cardH is that of the tallest one
	tall           []float64 // of each card
	narrow         bool      // a phone: a card has a line for the number alone
	labels         []label   // of the cables
	open           label     // of the place where a line of controllers is not closed
	lines          []line    // in the middle
	dot            float64   // radius of a disc
	middle         float64   // room for text in the middle
	spacing        float64   // along the ellipse
	names          float64   // room for names outside the discs; 0: none
	angles         []float64
	table          []float64 // length along the ellipse by step of the angle
}

const turns = 720 // steps of the table

// listMost is how many abnormal things are listed below a ring.
const listMost = 8

func (r *Ring) layout() *ringLayout {
	w := size(r.Width, 640)
	l := &ringLayout{w: w, kind: cards, narrow: w < phone, cardW: 150}
	if l.narrow {
		l.cardW = 112
	}
	for i := range r.Controllers {
		words := l.card(&r.Controllers[i])
		l.tall = append(l.tall, words.height())
		l.cardH = max(l.cardH, l.tall[i])
	}
	n, rx := len(r.Controllers), max(20, min((w-l.cardW)/2-4, 250))
	first := rx * 0.82
	if l.narrow && n > 2 {
		first = rx * 1.3
	}
	for ry := first; ry <= max(first, 400); ry += 20 {
		l.place(n, rx, max(ry, 70), l.cardH/2+6)
		if !l.crowded(n) {
			l.middle = l.bankRoom(r)
			l.words(r)
			l.label(r)
			return l
		}
	}
	l.many(r)
	return l
}

// many lays out more controllers than there is room for cards.
func (l *ringLayout) many(r *Ring) {
	n := len(r.Controllers)
	l.kind, l.tall = discs, nil
	margin := 30.0
	if perimeter := math.Pi * (min(l.w, 640) - 220); !l.narrow && perimeter/float64(n) >= 13 {
		margin, l.names = 110, 92
	}
	radius := min((l.w-2*margin)/2, 290)
	l.place(n, radius, radius, margin)
	l.dot = min(11, l.spacing*0.3)
	if l.dot < 2.6 {
		l.kind = marks
	}
	l.middle = radius * 1.3
	l.words(r)
	l.labels = make([]label, r.linkCount())
}

// place sets the ellipse and the controllers' angles on it.
func (l *ringLayout) place(n int, rx, ry, margin float64) {
	l.rx, l.ry = rx, ry
	l.h = 2 * (ry + margin)
	l.cx, l.cy = l.w/2, l.h/2
	l.table = l.table[:0]
	total := 0.0
	for i := range turns {
		l.table = append(l.table, total)
		x0, y0 := l.at(float64(i)*2*math.Pi/turns, 0)
		x1, y1 := l.at(float64(i+1)*2*math.Pi/turns, 0)
		total += math.Hypot(x1-x0, y1-y0)
	}
	l.table = append(l.table, total)
	l.spacing = total / float64(max(1, n))
	l.angles = l.angles[:0]
	step := 0
	for i := range n {
		want := l.spacing * float64(i)
		for step < turns-1 && l.table[step+1] <= want {
			step++
		}
		part := (want - l.table[step]) / (l.table[step+1] - l.table[step])
		l.angles = append(l.angles, (float64(step)+part)*2*math.Pi/turns)
	}
}

// at returns the point at an angle, clockwise from the top, moved outwards by out pixels.
func (l *ringLayout) at(angle, out float64) (x, y float64) {
	sin, cos := math.Sincos(angle)
	x, y = l.cx+l.rx*sin, l.cy-l.ry*cos
	if out != 0 {
		nx, ny := l.outward(angle)
		x, y = x+out*nx, y+out*ny
	}
	return x, y
}

// outward returns the unit normal of the ellipse.
func (l *ringLayout) outward(angle float64) (x, y float64) {
	sin, cos := math.Sincos(angle)
	nx, ny := sin*l.ry, -cos*l.rx
	length := math.Hypot(nx, ny)
	return nx / length, ny / length
}

// crowded reports whether cards would touch, or leave no room to see the cable between them.
func (l *ringLayout) crowded(n int) bool {
	for i := range n {
		for j := range i {
			xi, yi := l.at(l.angles[i], 0)
			xj, yj := l.at(l.angles[j], 0)
			if math.Abs(xi-xj) < l.cardW+16 && math.Abs(yi-yj) < l.cardH+22 {
				return true
			}
		}
	}
	return n > 16
}

// covered reports whether a point lies under controller i, with a little room around.
func (l *ringLayout) covered(i int, x, y float64) bool {
	ux, uy := l.at(l.angles[i], 0)
	switch l.kind {
	case cards:
		return math.Abs(x-ux) < l.cardW/2+3 && math.Abs(y-uy) < l.tall[i]/2+3
	case discs:
		return math.Hypot(x-ux, y-uy) < l.dot+2
	}
	return math.Hypot(x-ux, y-uy) < 1.5
}

// arc returns angles along link i that no controller covers, about every three pixels.
func (l *ringLayout) arc(i int) []float64 {
	n := len(l.angles)
	next := (i + 1) % n
	from, to := l.angles[i], l.angles[next]
	if to <= from {
		to += 2 * math.Pi
	}
	pieces := max(8, int(l.spacing/3))
	var out []float64
	for k := range pieces + 1 {
		a := from + (to-from)*float64(k)/float64(pieces)
		if x, y := l.at(a, 0); !l.covered(i, x, y) && !l.covered(next, x, y) {
			out = append(out, a)
		}
	}
	if len(out) < 2 {
		mid := (from + to) / 2
		return []float64{mid - 0.004, mid + 0.004}
	}
	return out
}
