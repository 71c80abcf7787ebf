package draw

import (
	"fmt"
	"html/template"
	"math"
	"time"
)

// A Chart shows series over time: as lines, or stacked as areas.
type Chart struct {
	ID          string // unique in the page
	Title, Desc string // for screen readers; the page shows its own heading
	From, To    time.Time
	// Now ends what 'no data' can be said of: what lies after it has not happened yet. Zero: To.
	Now           time.Time
	Zone          *time.Location // of the ticks; nil: UTC
	Width, Height int            // pixels; 0: 960 by 240
	Unit          string         // of the values, as in "W"
	Lines         []Series
	Stack         bool // areas upon each other, from the first series up; every value must be 0 or more
	Zero          bool // the axis includes 0; implied by Stack
	// Low and High, if High is greater, are values that the axis includes at least.
	Low, High float64
	Levels    []Level
	Events    []Event
	Bare      bool // no labels under the time axis: another picture follows below
}

// A Level is a value worth comparing with, as a setpoint.
type Level struct {
	Name  string
	Value float64
}

// An Event is something that happened at an instant.
type Event struct {
	At    time.Time
	Word  string
	State State
}

// SVG draws the chart.
func (ch Chart) SVG() template.HTML {
	w, h := size(ch.Width, 960), max(size(ch.Height, 240), 60)
	if ch.Height > 0 {
		h = float64(min(max(ch.Height, 60), widest))
	}
	p := newPlot(w, ch.From, ch.To, ch.Zone)
	c := begin("chart", "img", ch.ID, ch.Title, ch.describe(&p), w, h)
	c.start("defs")
	c.hatching()
	if ch.Stack {
		c.tones(len(ch.Lines))
	}
	c.end()
	p.top = c.key(&ch, w) + 8
	p.bottom = h - 6
	if !ch.Bare {
		p.bottom = h - axisRoom
	}
	p.bottom = max(p.bottom, p.top+20)
	var layers []layer
	if ch.Stack {
		layers = stack(&p, ch.Lines)
	}
	p.scale = ch.axis(&p, layers)
	c.timeAxis(&p, !ch.Bare)
	c.valueTicks(&p)
	c.text("dr-tick dr-unit", right, p.left-6, p.top-8, p.left-6, small, ch.Unit)
	c.aimed(&p, ch.Stack)
	if ch.Stack {
		c.stacked(&p, &ch, layers)
	} else {
		c.lines(&p, &ch)
	}
	c.end()
	words := &notes{p: &p}
	for _, e := range ch.Events {
		c.event(words, e)
	}
	for _, l := range ch.Levels {
		c.level(words, l)
	}
	return c.html()
}

func (ch *Chart) now() time.Time {
	if ch.Now.IsZero() || ch.Now.After(ch.To) {
		return ch.To
	}
	return ch.Now
}

// axis returns the axis that holds what is drawn.
func (ch *Chart) axis(p *plot, layers []layer) axis {
	low, high := math.Inf(1), math.Inf(-1)
	add := func(v float64) {
		if finite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if ch.Zero || ch.Stack {
		add(0)
	}
	if ch.High > ch.Low {
		add(ch.Low)
		add(ch.High)
	}
	if ch.Stack {
		if len(layers) > 0 {
			for _, v := range layers[len(layers)-1].tops {
				add(v)
			}
		}
	} else {
		for i := range ch.Lines {
			if l, h, ok := ch.Lines[i].spread(p); ok {
				add(l)
				add(h)
			}
		}
		for _, l := range ch.Levels {
			add(l.Value)
		}
	}
	if low > high {
		low, high = 0, 1
	}
	return valueAxis(low, high, max(2, int((p.bottom-p.top)/42)))
}

// lines draws every series, and hatches where none has data.
func (c *canvas) lines(p *plot, ch *Chart) {
	all := make([][]run, len(ch.Lines))
	var known spans
	for i := range ch.Lines {
		all[i] = ch.Lines[i].runs(p)
		half := (p.right - p.left) * ch.Lines[i].gap().Seconds() / 6 / p.to.Sub(p.from).Seconds()
		for _, r := range all[i] {
			known = append(known, span{r[0].x - half, r[len(r)-1].x + half})
		}
	}
	end := p.within(p.x(ch.now()))
	for _, s := range known.gaps(p.left, end) {
		c.missing(p, ch, s, end)
	}
	for i := range ch.Lines {
		if ch.Lines[i].Band {
			c.band(p, all[i], &ch.Lines[i], i)
		}
	}
	for i := range ch.Lines {
		var d pen
		for _, r := range all[i] {
			d.lift()
			for _, s := range r {
				d.to(s.x, p.y(s.value))
			}
			if len(r) == 1 {
				d.to(r[0].x, p.y(r[0].value))
			}
		}
		c.series("dr-line "+ch.Lines[i].class(i), &ch.Lines[i], d.b)
	}
}

// missing hatches a span without data. What ends now is none while the next reading is not overdue by a gap's length.
func (c *canvas) missing(p *plot, ch *Chart, s span, end float64) {
	var patience time.Duration
	for i := range ch.Lines {
		if g := ch.Lines[i].gap(); g < p.to.Sub(p.from) {
			patience = max(patience, g)
		}
	}
	room := (p.right - p.left) * patience.Seconds() / p.to.Sub(p.from).Seconds()
	if s.from > p.left && s.to >= end && end < p.right && s.to-s.from < room {
		return
	}
	c.hatch(p, s.from, s.to)
}

// series writes the path of a series with what a script needs.
func (c *canvas) series(class string, s *Series, d []byte, more ...string) {
	c.b = append(c.b, "<path"...)
	c.attr("class", class)
	c.attr("data-name", fit(s.Name, 400, small))
	c.attr("data-unit", s.Unit)
	for i := 0; i+1 < len(more); i += 2 {
		c.attr(more[i], more[i+1])
	}
	c.b = append(c.b, ` d="`...)
	c.b = append(c.b, d...)
	c.b = append(c.b, `"/>`...)
}

// band draws the area between the least and the greatest reading of rollups.
func (c *canvas) band(p *plot, runs []run, s *Series, i int) {
	var d pen
	for _, r := range runs {
		d.lift()
		for _, s := range r {
			d.to(s.x, p.y(s.high))
		}
		for k := len(r) - 1; k >= 0; k-- {
			d.to(r[k].x, p.y(r[k].low))
		}
		d.b = append(d.b, 'z')
	}
	c.b = append(c.b, "<path"...)
	c.attr("class", "dr-band "+s.class(i))
	c.b = append(c.b, ` d="`...)
	c.b = append(c.b, d.b...)
	c.b = append(c.b, `"/>`...)
}

// class returns how a line is told from the others: tone and dashes.
func (s *Series) class(i int) string {
	if s.State.Abnormal() {
		return s.State.Class()
	}
	class := "dr-s" + string(rune('1'+i%tones))
	if i/tones%2 == 1 {
		class += " dr-thick" // the tones come round again
	}
	return class
}

// describe says in words what the picture shows, after what the page says itself.
func (ch *Chart) describe(p *plot) string {
	out := []string{fmt.Sprintf("From %s to %s.", p.from.In(p.zone).Format("2 Jan 2006 15:04"), p.to.In(p.zone).Format("2 Jan 2006 15:04"))}
	for i := range ch.Lines {
		l := &ch.Lines[i]
		name := fit(l.Name, 400, small)
		if name == "" {
			name = "values"
		}
		if low, high, ok := l.spread(p); ok {
			out = append(out, fmt.Sprintf("%s: %s to %s %s.", name, short(low), short(high), l.Unit))
		} else {
			out = append(out, name+": no data.")
		}
	}
	return tell(ch.Desc, out)
}
