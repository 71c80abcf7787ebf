package draw

import (
	"encoding/json"
	"strconv"
	"time"
)

// Widths of pictures. Below narrowest nothing can be read; a picture that is narrower than phone leaves out what a
// phone has no room for.
const (
	narrowest = 240
	widest    = 4000
	phone     = 520
)

// A plot is a rectangle over a span of time. Charts and strips of one width have the same left and right edges, so that
// one can stand under the other.
type plot struct {
	left, right, top, bottom float64
	from, to                 time.Time
	zone                     *time.Location
	scale                    axis
}

// newPlot returns the plot of a picture w wide. A span that is empty or turned round becomes one second; its vertical
// edges are the caller's.
func newPlot(w float64, from, to time.Time, zone *time.Location) plot {
	if zone == nil {
		zone = time.UTC
	}
	if !to.After(from) {
		to = from.Add(time.Second)
	}
	p := plot{left: 46, right: w - 14, from: from, to: to, zone: zone, scale: axis{0, 1, 1}}
	if w < phone {
		p.left, p.right = 38, w-8
	}
	return p
}

// x returns where an instant lies; it may lie outside.
func (p *plot) x(t time.Time) float64 {
	return p.left + (p.right-p.left)*(t.Sub(p.from).Seconds()/p.to.Sub(p.from).Seconds())
}

// within returns x kept between the edges.
func (p *plot) within(x float64) float64 { return min(max(x, p.left), p.right) }

// y returns where a value lies, kept between the edges.
func (p *plot) y(v float64) float64 {
	y := p.bottom - (p.bottom-p.top)*(v-p.scale.low)/(p.scale.high-p.scale.low)
	return min(max(y, p.top), p.bottom)
}

// timeAxis draws the lines of round local times and, if words is set, their labels below the plot: the near unit under
// each line, the wider one where it changes.
func (c *canvas) timeAxis(p *plot, words bool) {
	step := timeStep(p.to.Sub(p.from), int((p.right-p.left)/62))
	ticks := timeTicks(p.from, p.to, p.zone, step)
	labelEnd := -1e9
	for _, t := range ticks {
		x := p.x(t)
		c.line("dr-grid", x, p.top, x, p.bottom)
		near, _ := step.label(t)
		w := textWidth(near, small)
		at := min(max(x, w/2), p.right+8-w/2)
		if words && at-w/2 >= labelEnd+4 {
			c.plain("dr-tick", middle, at, p.bottom+15, near)
			labelEnd = at + w/2
		}
	}
	if words {
		c.wideUnits(p, step, ticks)
	}
}

// wideUnits writes the wider unit at the left edge and under the first tick of each new one, where there is room. The
// left edge gives way to a change close by: that one says more.
func (c *canvas) wideUnits(p *plot, step calendar, ticks []time.Time) {
	type unitWord struct {
		x, w float64
		word string
	}
	_, now := step.label(p.from)
	places := []unitWord{{p.left, textWidth(now, small), now}}
	for _, t := range ticks {
		if _, unit := step.label(t); unit != now {
			now = unit
			w := textWidth(unit, small)
			places = append(places, unitWord{min(max(p.x(t)-w/2, p.left), p.right+8-w), w, unit})
		}
	}
	end := -1e9
	for i, at := range places {
		hidden := i == 0 && len(places) > 1 && at.x+at.w+8 > places[1].x
		if at.word != "" && at.x >= end+8 && !hidden {
			c.plain("dr-tick", left, at.x, p.bottom+29, at.word)
			end = at.x + at.w
		}
	}
}

// axisRoom is the height that the labels of a time axis take below a plot.
const axisRoom = 34

// valueTicks draws the round values at the left, with lines across.
func (c *canvas) valueTicks(p *plot) {
	for _, v := range p.scale.ticks() {
		class := "dr-grid"
		if v == 0 {
			class = "dr-zero"
		}
		y := p.y(v)
		c.line(class, p.left, y, p.right, y)
		c.text("dr-tick", right, p.left-6, y+4, p.left-6, small, p.scale.label(v))
	}
}

// aim gives a script what it needs to say which instant and value a place of the plot is.
type aim struct {
	Left   float64 `json:"left"`
	Right  float64 `json:"right"`
	Top    float64 `json:"top"`
	Bottom float64 `json:"bottom"`
	From   int64   `json:"from"` // milliseconds since 1970
	To     int64   `json:"to"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Zone   string  `json:"zone"`
	Stack  bool    `json:"stack,omitempty"`
}

// aimed opens the group of what a script can point at.
func (c *canvas) aimed(p *plot, stack bool) *canvas {
	text, err := json.Marshal(aim{
		p.left, p.right, p.top, p.bottom, p.from.UnixMilli(), p.to.UnixMilli(), p.scale.low, p.scale.high, p.zone.String(), stack,
	})
	if err != nil {
		text = nil // the numbers are finite: this cannot be
	}
	c.start("g", "class", "dr-plot", "data-plot", string(text))
	c.rect("dr-touch-area", p.left, p.top, p.right-p.left, p.bottom-p.top)
	return c
}

// hatch draws 'no data' from x0 to x1 over the height of the plot.
func (c *canvas) hatch(p *plot, x0, x1 float64) {
	x0, x1 = p.within(x0), p.within(x1)
	if x1-x0 < 1.5 {
		return
	}
	c.empty("rect", "dr-none", "x", x0, "y", p.top, "width", x1-x0, "height", p.bottom-p.top, "fill", c.url("none"))
	if w, _ := width("no data", small); x1-x0 > w+8 {
		c.plain("dr-none-word", middle, (x0+x1)/2, (p.top+p.bottom)/2+4, "no data")
	}
}

// hatching defines the pattern of 'no data': thin lines that lean to the right, well apart.
func (c *canvas) hatching() {
	c.start("pattern", "id", c.id+"-none", "width", "7", "height", "7", "patternUnits", "userSpaceOnUse", "patternTransform", "rotate(45)")
	c.line("dr-hatch", 0, 0, 0, 7)
	c.end()
}

func size(w, preset int) float64 {
	if w <= 0 {
		w = preset
	}
	return float64(min(max(w, narrowest), widest))
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
