package draw

import "math"

// A box is a place that is taken.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) meets(o box) bool { return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 }

// A label is where a cable's word and number go. Without ok there is no room for them at the cable.
type label struct {
	x, y   float64 // y is the baseline of the word; the number stands below
	anchor string
	ok     bool
}

const lineHeight = 14.0

// label finds a place for the words of each cable, abnormal ones first: inside the ring or outside, at the middle or
// nearer to one end, where nothing else is.
func (l *ringLayout) label(r *Ring) {
	taken := l.obstacles(r)
	l.labels = make([]label, r.linkCount())
	if n := len(r.Controllers); r.Open && n > 1 {
		var b box
		if l.open, b = l.free(l.arc(n-1), textWidth("open", small), taken); l.open.ok {
			taken = append(taken, b)
		}
	}
	for _, abnormal := range []bool{true, false} {
		for i := range l.labels {
			k := r.at(i)
			if k.Health.State().Abnormal() != abnormal {
				continue
			}
			w := max(textWidth(k.word(), strong), textWidth(k.Number, strong))
			var b box
			if l.labels[i], b = l.free(l.arc(i), min(w, labelRoom), taken); l.labels[i].ok {
				taken = append(taken, b)
			}
		}
	}
}

// labelRoom is the widest that a cable's words may be.
const labelRoom = 110.0

// obstacles are the cards, the bank's words and the marks of abnormal cables.
func (l *ringLayout) obstacles(r *Ring) []box {
	var taken []box
	for i := range l.tall {
		x, y := l.at(l.angles[i], 0)
		taken = append(taken, box{x - l.cardW/2 - 3, y - l.tall[i]/2 - 3, x + l.cardW/2 + 3, y + l.tall[i]/2 + 3})
	}
	half := 0.0
	for _, s := range l.lines {
		half = max(half, min(textWidth(s.text, s.size), l.middle)/2)
	}
	if n := len(l.lines); n > 0 {
		tall := float64(n)*10 + 6
		taken = append(taken, box{l.cx - half - 6, l.cy - tall, l.cx + half + 6, l.cy + tall})
	}
	for i := range r.linkCount() {
		if k := r.at(i); k.Health.State().Abnormal() {
			arc := l.arc(i)
			x, y := l.at(arc[len(arc)/2], 0)
			taken = append(taken, box{x - 10, y - 10, x + 10, y + 10})
		}
	}
	return taken
}

// free returns the first place along an arc for words w wide that meets nothing taken.
func (l *ringLayout) free(arc []float64, w float64, taken []box) (label, box) {
	n := len(arc)
	for _, out := range []float64{-1, 1} {
		for _, at := range []int{n / 2, n / 3, 2 * n / 3, n / 5, 4 * n / 5} {
			nx, ny := l.outward(arc[at])
			x, y := l.at(arc[at], out*(13+13*math.Abs(ny)))
			found := label{x, y - 2, middle, true}
			b := box{x - w/2, y - lineHeight, x + w/2, y + lineHeight + 2}
			switch {
			case out*nx > 0.3:
				found.anchor, b.x0, b.x1 = left, x, x+w
			case out*nx < -0.3:
				found.anchor, b.x0, b.x1 = right, x-w, x
			}
			if b.x0 < 0 || b.x1 > l.w || b.y0 < 0 || b.y1 > l.h {
				continue
			}
			clear := true
			for _, t := range taken {
				clear = clear && !b.meets(t)
			}
			if clear {
				return found, b
			}
		}
	}
	return label{}, box{}
}

// A line is a line of words in the middle.
type line struct {
	class, text string
	size        float64
}

// words gives the middle its lines: the bank's, and how far a call has come. What is too wide takes two.
func (l *ringLayout) words(r *Ring) {
	l.lines = nil
	add := func(class, text string, size float64) {
		for _, s := range wrap(text, l.middle, size) {
			l.lines = append(l.lines, line{class, s, size})
		}
	}
	for i, s := range r.Bank[:min(len(r.Bank), 4)] {
		switch {
		case i > 0:
			add("dr-quiet", s, small)
		case textWidth(s, large) <= l.middle:
			add("dr-bank", s, large)
		default: // a smaller number is better than half a number
			add("dr-name", s, normal)
		}
	}
	if r.Call != nil {
		add("dr-call-word", r.Call.word(len(r.Controllers)), normal)
	}
}

// bankRoom returns how wide the words in the middle may be: what the cards beside them leave.
func (l *ringLayout) bankRoom(r *Ring) float64 {
	room := 2*l.rx - 24
	tall := float64(min(len(r.Bank), 4)+2)*10 + 10
	for i := range l.tall {
		x, y := l.at(l.angles[i], 0)
		if math.Abs(y-l.cy) < tall+l.tall[i]/2 {
			room = min(room, 2*(math.Abs(x-l.cx)-l.cardW/2-8))
		}
	}
	return max(room, 40)
}
