package draw

import (
	"math"
	"strconv"
)

// key draws a swatch and the name of each series along the top, in as many rows as it takes, and returns their height.
// A single line that has no name needs none.
func (c *canvas) key(ch *Chart, w float64) float64 {
	lines := ch.Lines
	if len(lines) == 0 || len(lines) == 1 && lines[0].Name == "" {
		return 10
	}
	const most = 12
	p := newPlot(w, ch.From, ch.To, ch.Zone)
	x, y := p.left, 14.0
	for i := range lines {
		name := lines[i].Name
		if i == most {
			name = "and " + strconv.Itoa(len(lines)-most) + " more"
		}
		room := min(220, p.right-p.left-30)
		name = fit(name, room, small)
		textWidth, _ := width(name, small)
		if x > p.left && x+24+textWidth > p.right {
			x, y = p.left, y+18
		}
		if i < most {
			c.swatch(ch, i, x, y)
		}
		c.text("dr-key", left, x+22, y, room, small, name)
		if i == most {
			break
		}
		x += 22 + textWidth + 16
	}
	return y + 8
}

func (c *canvas) swatch(ch *Chart, i int, x, y float64) {
	s := &ch.Lines[i]
	if ch.Stack {
		c.empty("rect", "dr-swatch", "x", x, "y", y-10, "width", 16.0, "height", 12.0, "fill", c.url("tone"+strconv.Itoa(i%tones)))
		return
	}
	c.line("dr-line "+s.class(i), x, y-4, x+16, y-4)
	if s.State.Abnormal() {
		c.mark(s.State, x+8, y-4, 4)
	}
}

// short writes a number for people: three significant digits, no exponent within reason.
func short(v float64) string {
	if !finite(v) {
		return "no data"
	}
	a := math.Abs(v)
	switch {
	case a >= 1e9:
		return minus(strconv.FormatFloat(v, 'g', 3, 64))
	case a >= 100:
		return minus(strconv.FormatFloat(v, 'f', 0, 64))
	case a >= 10:
		return minus(strconv.FormatFloat(v, 'f', 1, 64))
	case a >= 0.01 || v == 0:
		return minus(strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64))
	}
	return minus(strconv.FormatFloat(v, 'g', 2, 64))
}
