package draw

import (
	"html/template"

	"ringwarden/fleet"
)

// A State says how something is to be seen: grey, or as an alarm of some priority.
type State uint8

// The states. The zero value is calm: grey.
const (
	Calm   State = iota
	Watch        // an alarm of low priority
	Warn         // an alarm of medium priority
	Alarm        // an alarm of high priority
	Silent       // no data: dotted and hatched, not coloured
	Aside        // out of service, or off by intention: faint
)

// StateOf returns the state that shows an active alarm of a priority.
func StateOf(p fleet.Priority) State {
	switch p {
	case fleet.High:
		return Alarm
	case fleet.Medium:
		return Warn
	}
	return Watch
}

var stateClasses = [...]string{"calm", "watch", "warn", "alarm", "silent", "aside"}

// Class returns the class of the style sheet, as in "dr-alarm".
func (s State) Class() string { return "dr-" + stateClasses[min(int(s), int(Aside))] }

var stateWords = [...]string{"normal", "low alarm", "medium alarm", "high alarm", "no data", "out of service"}

// String returns the word that people see where nothing better is known.
func (s State) String() string { return stateWords[min(int(s), int(Aside))] }

// Abnormal reports whether the state has a saturated colour.
func (s State) Abnormal() bool { return s == Watch || s == Warn || s == Alarm }

// mark draws the state's shape about (x, y) with radius r: a disc with nothing (calm), a lying bar in a disc (low), a
// standing diamond (medium), a filled triangle with a stroke (high), an empty broken ring (no data), a cross (aside).
func (c *canvas) mark(s State, x, y, r float64) {
	class := "dr-mark " + s.Class()
	t := &trail{}
	switch s {
	case Watch:
		c.empty("circle", class, "cx", x, "cy", y, "r", r*0.9)
		c.line("dr-on "+s.Class(), x-r*0.45, y, x+r*0.45, y)
	case Warn:
		t.op('M', x, y-r*1.1).op('L', x+r*1.1, y).op('L', x, y+r*1.1).op('L', x-r*1.1, y)
		c.path(class, t.String()+"z")
		c.line("dr-on "+s.Class(), x, y-r*0.45, x, y+r*0.45)
	case Alarm:
		t.op('M', x, y-r*1.1).op('L', x+r*1.15, y+r*0.9).op('L', x-r*1.15, y+r*0.9)
		c.path(class, t.String()+"z")
		c.line("dr-on "+s.Class(), x, y-r*0.35, x, y+r*0.25)
		c.line("dr-on "+s.Class(), x, y+r*0.55, x, y+r*0.6)
	case Aside:
		c.path(class, t.op('M', x-r*0.6, y-r*0.6).op('L', x+r*0.6, y+r*0.6).op('M', x+r*0.6, y-r*0.6).op('L', x-r*0.6, y+r*0.6).String())
	default:
		c.empty("circle", class, "cx", x, "cy", y, "r", r*0.7)
	}
}

// Mark returns the state's shape as a small picture of size pixels for use beside a word in a page. It is hidden from
// screen readers: the word beside it says the same.
func Mark(s State, size int) template.HTML {
	w := float64(min(max(size, 6), 200))
	c := &canvas{}
	c.b = append(c.b, `<svg xmlns="http://www.w3.org/2000/svg" class="dr dr-icon" aria-hidden="true"`...)
	c.num("width", w)
	c.num("height", w)
	c.b = append(c.b, ` viewBox="0 0 16 16">`...)
	c.mark(s, 8, 8, 6)
	return template.HTML(append(c.b, "</svg>"...))
}
