package draw

import (
	"html/template"
	"math"
)

// Bars compares a few values: a name, a lying bar, the value in words.
type Bars struct {
	ID          string
	Title, Desc string
	Width       int // pixels; 0: 640
	Items       []Bar
	High        float64 // value of a full bar; 0: the greatest one
}

// A Bar is one value.
type Bar struct {
	Name  string
	Value float64 // NaN: no data
	Text  string  // the value as people read it, as in "412 kWh"
	State State
}

// SVG draws the bars.
func (b Bars) SVG() template.HTML {
	w := size(b.Width, 640)
	const row = 26.0
	top := b.High
	for _, it := range b.Items {
		if finite(it.Value) && b.High <= 0 {
			top = max(top, it.Value)
		}
	}
	names, values := min(w*0.28, 180), 100.0
	c := begin("bars", "img", b.ID, b.Title, b.describe(), w, row*float64(max(1, len(b.Items)))+4)
	c.start("defs")
	c.hatching()
	c.end()
	room := w - names - values - 16
	for i, it := range b.Items {
		y := 2 + row*float64(i)
		c.start("g", "class", "dr-bar "+it.State.Class())
		c.start("title").chars(it.Name + ": " + it.words()).end()
		c.text("dr-name", right, names, y+17, names-4, normal, it.Name)
		if finite(it.Value) {
			part := 0.0
			if top > 0 {
				part = min(max(it.Value/top, 0), 1)
			}
			c.rect("dr-bar-room", names+8, y+6, room, 14)
			c.rect("dr-bar-fill", names+8, y+6, room*part, 14)
		} else {
			c.empty("rect", "dr-none", "x", names+8, "y", y+6, "width", room, "height", 14.0, "fill", c.url("none"))
		}
		at := w - values
		if it.State.Abnormal() {
			c.mark(it.State, at+6, y+13, 5)
			at += 14
		}
		c.text("dr-value", left, at, y+17, w-at, small, it.Text)
		c.end()
	}
	return c.html()
}

// Columns shows a value per day, month or other period as standing bars, stacked by series.
type Columns struct {
	ID            string
	Title, Desc   string
	Width, Height int      // pixels; 0: 640 by 200
	Unit          string   // as in "kWh"
	Names         []string // of the series, from the bottom up
	Items         []Column
}

// A Column is one period.
type Column struct {
	Label string    // below it; where there is no room for all, some are left out
	Parts []float64 // one for each name, 0 or more; NaN: no data
}

// SVG draws the columns.
func (co Columns) SVG() template.HTML {
	w, h := size(co.Width, 640), float64(max(100, min(co.Height, widest)))
	if co.Height <= 0 {
		h = 200
	}
	p := plot{left: 46, right: w - 8, bottom: h - 22}
	if w < phone {
		p.left = 38
	}
	c := begin("columns", "img", co.ID, co.Title, co.describe(), w, h)
	c.start("defs")
	c.hatching()
	c.tones(len(co.Names))
	c.end()
	as := Chart{Stack: true}
	for _, n := range co.Names {
		as.Lines = append(as.Lines, Series{Name: n})
	}
	if len(co.Names) == 1 {
		as.Lines[0].Name = ""
	}
	p.top = c.key(&as, w) + 8
	p.scale = valueAxis(0, co.highest(), max(2, int((p.bottom-p.top)/38)))
	c.valueTicks(&p)
	c.text("dr-tick dr-unit", right, p.left-6, p.top-8, p.left-6, small, co.Unit)
	step := (p.right - p.left) / float64(max(1, len(co.Items)))
	labelEnd := -1e9
	for i := range co.Items {
		x := p.left + step*float64(i)
		c.column(&p, &co, &co.Items[i], x+step*0.12, step*0.76)
		label := fit(co.Items[i].Label, max(step, 60), small)
		lw, _ := width(label, small)
		if at := x + step/2; at-lw/2 > labelEnd+4 && at+lw/2 < w {
			c.plain("dr-tick", middle, at, p.bottom+15, label)
			labelEnd = at + lw/2
		}
	}
	return c.html()
}

func (co *Columns) highest() float64 {
	high := 0.0
	for i := range co.Items {
		sum := 0.0
		for k, v := range co.Items[i].Parts {
			if finite(v) && k < len(co.Names) {
				sum += max(0, v)
			}
		}
		high = max(high, sum)
	}
	if high == 0 {
		return 1
	}
	return min(high, huge)
}

func (c *canvas) column(p *plot, co *Columns, it *Column, x, w float64) {
	sum, known := 0.0, false
	c.start("g", "class", "dr-column")
	text := it.Label
	for k, v := range it.Parts[:min(len(it.Parts), len(co.Names))] {
		if !finite(v) {
			continue
		}
		known = true
		text += ", " + co.Names[k] + " " + short(v) + " " + co.Unit
		v = max(0, min(v, huge))
		y0, y1 := p.y(sum), p.y(sum+v)
		sum += v
		c.empty("rect", "dr-area dr-s"+string(rune('1'+k%tones)), "x", x, "y", y1, "width", w, "height", math.Abs(y0-y1), "fill", c.url("tone"+string(rune('0'+k%tones))))
	}
	if !known {
		text += ", no data"
		c.empty("rect", "dr-none", "x", x, "y", p.top, "width", w, "height", p.bottom-p.top, "fill", c.url("none"))
	}
	c.start("title").chars(text).end()
	c.end()
}

// Spark draws one series small, without axes: for a row of a table. It is hidden from screen readers, since the row
// says the value.
func Spark(s Series, w, h int) template.HTML {
	p := plot{left: 2, top: 2, right: float64(min(max(w, 20), widest)) - 2, bottom: float64(min(max(h, 8), widest)) - 2}
	c := &canvas{open: []string{"svg"}}
	c.b = append(c.b, `<svg xmlns="http://www.w3.org/2000/svg" class="dr dr-spark" aria-hidden="true"`...)
	c.num("width", p.right+2)
	c.num("height", p.bottom+2)
	c.attr("viewBox", "0 0 "+string(number(nil, p.right+2))+" "+string(number(nil, p.bottom+2)))
	c.b = append(c.b, '>')
	if len(s.Points) > 0 {
		p.from, p.to = s.Points[0].At, s.Points[len(s.Points)-1].At
	}
	if p.to.After(p.from) {
		if low, high, ok := s.spread(&p); ok {
			p.scale = valueAxis(low, high, 2)
			var d pen
			for _, r := range s.runs(&p) {
				d.lift()
				for _, sp := range r {
					d.to(sp.x, p.y(sp.value))
				}
				if len(r) == 1 {
					d.to(r[0].x, p.y(r[0].value))
				}
			}
			c.path("dr-line "+s.class(0), string(d.b))
		}
	}
	return c.html()
}
