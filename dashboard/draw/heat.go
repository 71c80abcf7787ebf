package draw

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"time"
)

// A Heat shows a value for each hour of each day: days downwards, the hours of the local clock across.
type Heat struct {
	ID          string
	Title, Desc string
	Width       int // pixels; 0: 640
	Unit        string
	Days        []HeatDay
	// Limit is the value from which an hour is abnormal: it has a colour and a mark. 0: nothing is. What is below is
	// a grey, the darker the nearer to the limit, or to the greatest value if there is no limit.
	Limit float64
	State State // of an hour at or above the limit; the zero value means Warn
}

// A HeatDay is one local day.
type HeatDay struct {
	Day time.Time // any instant of it, in its zone
	// Hours are by the local clock. NaN: no data. An hour that comes twice holds both; one that is left out is NaN.
	Hours [24]float64
}

// greys is how many steps of grey there are, from least to greatest.
const greys = 5

// SVG draws the map.
func (ht Heat) SVG() template.HTML {
	w := size(ht.Width, 640)
	n := len(ht.Days)
	labels := 64.0
	cell := max(1, math.Floor((w-labels-12)/24)) // whole pixels: sharp edges
	tall := heatRow(n)
	top := 22.0
	h := top + tall*float64(n) + 34
	c := begin("heat", "img", ht.ID, ht.Title, ht.describe(), w, h)
	c.start("defs")
	c.hatching()
	c.end()
	every := 3
	if cell < 14 {
		every = 6
	}
	for hour := 0; hour <= 24; hour += every {
		c.plain("dr-tick", middle, labels+cell*float64(hour), top-8, fmt.Sprintf("%02d", hour))
	}
	c.dayLabels(&ht, labels-6, top, tall)
	c.cells(&ht, labels, top, cell, tall)
	c.heatKey(&ht, labels, top+tall*float64(n)+12, w)
	return c.html()
}

// dayLabels names the days: each one, each other one, or, where days are thin, the first of each month.
func (c *canvas) dayLabels(ht *Heat, x, top, tall float64) {
	end := top - 14
	for i := range ht.Days {
		y, day := top+tall*float64(i), ht.Days[i].Day
		form := "2 Jan"
		if tall < 6 {
			form = "Jan 2006"
		}
		if y >= end && (tall >= 6 || day.Day() == 1) {
			c.plain("dr-tick", right, x, y+min(tall, 14)-3+max(0, 6-tall), day.Format(form))
			end = y + 13
		}
	}
}

// heatRow returns how tall a day is, so that a year still fits on a page.
func heatRow(n int) float64 {
	switch {
	case n <= 45:
		return 15
	case n <= 120:
		return 8
	}
	return 4
}

func (ht *Heat) state() State {
	if ht.State == Calm {
		return Warn
	}
	return ht.State
}

// scale returns the value that the darkest grey stands for.
func (ht *Heat) scale() float64 {
	if ht.Limit > 0 {
		return ht.Limit
	}
	top := 0.0
	for i := range ht.Days {
		for _, v := range ht.Days[i].Hours {
			if finite(v) {
				top = max(top, v)
			}
		}
	}
	return top
}

// shade returns a value's step of grey: 0 for none at all.
func shade(v, top float64) int {
	if v <= 0 || top <= 0 {
		return 0
	}
	return min(greys, 1+int(min(v/top, 1)*(greys-0.001)))
}

// cells gathers the hours of each look, so that a year is a few paths and not thousands of boxes.
func (c *canvas) cells(ht *Heat, x, y, cell, tall float64) {
	top, gap := ht.scale(), 1.0
	if tall < 6 {
		gap = 0
	}
	var paths [greys + 3]trail // the greys from 0, then abnormal, then no data
	var strokes trail
	for i := range ht.Days {
		hours := &ht.Days[i].Hours
		row := y + tall*float64(i)
		for from := 0; from < len(hours); {
			to, look := from+1, ht.look(hours[from], top)
			for gap == 0 && to < len(hours) && ht.look(hours[to], top) == look {
				to++
			}
			at, w := x+cell*float64(from), cell*float64(to-from)-gap
			paths[look].op('M', at, row).op('h', w).op('v', tall-gap).op('h', -w)
			if look == greys+1 && tall >= 8 {
				strokes.op('M', at+cell*0.3, row+tall*0.75).op('l', cell*0.4, -tall*0.55)
			}
			from = to
		}
	}
	for look := range paths {
		switch d := paths[look].String(); {
		case d == "":
		case look == greys+2:
			c.empty("path", "dr-none", "d", d, "fill", c.url("none"))
		case look == greys+1:
			c.path("dr-heat "+ht.state().Class(), d)
		default:
			c.path("dr-heat dr-heat"+strconv.Itoa(look), d)
		}
	}
	if tall < 8 {
		c.dayMarks(ht, x+cell*24+6, y, tall)
	}
	if len(strokes.b) > 0 {
		c.path("dr-on "+ht.state().Class(), strokes.String())
	}
}

// dayMarks puts a mark beside each run of days that have an abnormal hour, where the hours are too small for one.
func (c *canvas) dayMarks(ht *Heat, x, y, tall float64) {
	end := y - 9
	for i := range ht.Days {
		abnormal := false
		for _, v := range ht.Days[i].Hours {
			abnormal = abnormal || ht.look(v, 1) == greys+1
		}
		if at := y + tall*(float64(i)+0.5); abnormal && at >= end+9 {
			c.mark(ht.state(), x, at, 3.5)
			end = at
		}
	}
}

// look returns how an hour is drawn: its step of grey, greys+1 if it is abnormal, greys+2 without data.
func (ht *Heat) look(v, top float64) int {
	switch {
	case !finite(v):
		return greys + 2
	case ht.Limit > 0 && v >= ht.Limit:
		return greys + 1
	}
	return shade(v, top)
}

// heatKey explains the shades.
func (c *canvas) heatKey(ht *Heat, x, y, w float64) {
	top := ht.scale()
	c.rect("dr-heat dr-heat0", x, y, 16, 10)
	c.plain("dr-key", left, x+21, y+9, "0")
	x += 42
	grey := 14.0
	if w < phone {
		grey = 8
	}
	for i := 1; i <= greys; i++ {
		c.rect("dr-heat dr-heat"+strconv.Itoa(i), x, y, grey, 10)
		x += grey + 1
	}
	words := "to " + short(top) + " " + ht.Unit
	if ht.Limit <= 0 || w < phone {
		words = short(top) + " " + ht.Unit
	}
	tw, _ := width(fit(words, 90, small), small)
	c.text("dr-key", left, x+5, y+9, 90, small, words)
	x += tw + 20
	if ht.Limit > 0 {
		c.rect("dr-heat "+ht.state().Class(), x, y, 14, 10)
		c.line("dr-on "+ht.state().Class(), x+4, y+8, x+10, y+2)
		c.plain("dr-key", left, x+19, y+9, "more")
		x += 56
	}
	c.empty("rect", "dr-none", "x", x, "y", y, "width", 14.0, "height", 10.0, "fill", c.url("none"))
	c.plain("dr-key", left, x+19, y+9, "no data")
}

func (ht *Heat) describe() string {
	hours, over, worst := 0, 0, math.Inf(-1)
	for i := range ht.Days {
		for _, v := range ht.Days[i].Hours {
			if !finite(v) {
				continue
			}
			hours++
			worst = max(worst, v)
			if ht.Limit > 0 && v >= ht.Limit {
				over++
			}
		}
	}
	s := fmt.Sprintf("%s, %s with data.", plural(len(ht.Days), "day", "days"), plural(hours, "hour", "hours"))
	if hours > 0 {
		s += " Greatest value " + short(worst) + " " + ht.Unit + "."
	}
	if ht.Limit > 0 {
		s += " " + plural(over, "hour is", "hours are") + " at or above " + short(ht.Limit) + " " + ht.Unit + "."
	}
	if ht.Desc != "" {
		return ht.Desc + " " + s
	}
	return s
}
