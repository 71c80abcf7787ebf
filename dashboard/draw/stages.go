package draw

import "ringwarden/fleet"

// A look is how a stage is drawn in grey: how high its box stands, as a share of the row, and its pattern. The height
// says how hard the controller charges, the pattern tells stages of like height apart.
type look struct {
	height  float64
	pattern string // the class of its lines; empty: plain
	d       string // the lines of an 8 by 8 tile
}

// looks are those of [fleet.Stage], by its number.
var looks = [...]look{
	fleet.StageUnknown: {1, "", ""},
	fleet.Off:          {0.12, "", ""},
	fleet.Idle:         {0.3, "dr-texture", "M1 1h.01M5 5h.01"},
	fleet.Bulk:         {1, "", ""},
	fleet.Absorption:   {1, "dr-texture", "M0 8L8 0M-2 2L2 -2M6 10L10 6"},
	fleet.Float:        {1, "dr-texture", "M0 1H8M0 5H8"},
	fleet.Equalize:     {1, "dr-texture", "M0 0L8 8M0 8L8 0"},
	fleet.Fault:        {1, "dr-texture", "M0 4L4 0L8 4M0 8L4 4L8 8"},
}

// stagePatterns defines a pattern for every stage.
func (c *canvas) stagePatterns() {
	for _, s := range fleet.Stages {
		l := looks[s]
		c.start("pattern", "id", c.id+"-"+s.String(), "width", "8", "height", "8", "patternUnits", "userSpaceOnUse")
		c.rect("dr-fill dr-stage-"+s.String(), 0, 0, 8, 8)
		if l.d != "" {
			c.path(l.pattern+" dr-stage-"+s.String(), l.d)
		}
		c.end()
	}
}

// stageBox draws a stage's box on the lower edge of a row.
func (c *canvas) stageBox(s fleet.Stage, x, top, w, h float64) {
	part := h * looks[s].height
	c.empty("rect", "dr-stage dr-stage-"+s.String(), "x", x, "y", top+h-part, "width", w, "height", part, "fill", c.url(s.String()))
}

const keyCell = 96.0

func stageKeyHeight(w float64) float64 {
	perRow := max(1, int((w-60)/keyCell))
	return 8 + 22*float64((len(fleet.Stages)+perRow)/perRow)
}

// stageKey explains the patterns.
func (c *canvas) stageKey(x, y, w float64) {
	perRow := max(1, int((w-60)/keyCell))
	for i, s := range fleet.Stages {
		cx, cy := x+keyCell*float64(i%perRow), y+8+22*float64(i/perRow)
		c.stageBox(s, cx, cy, 20, 14)
		c.line("dr-base", cx, cy+14, cx+20, cy+14)
		c.plain("dr-key", left, cx+26, cy+11, s.String())
	}
	i := len(fleet.Stages)
	cx, cy := x+keyCell*float64(i%perRow), y+8+22*float64(i/perRow)
	c.empty("rect", "dr-none", "x", cx, "y", cy, "width", 20.0, "height", 14.0, "fill", c.url("none"))
	c.plain("dr-key", left, cx+26, cy+11, "no data")
}
