package draw

import (
	"fmt"
	"html/template"
	"time"

	"ringwarden/fleet"
)

// A Strip shows in which stage each controller was, one row for each, on the same axis as a [Chart] of its width.
type Strip struct {
	ID          string
	Title, Desc string
	From, To    time.Time
	Now         time.Time // what lies after it has not happened yet; zero: To
	Zone        *time.Location
	Width       int // pixels; 0: 960
	Rows        []StripRow
	Key         bool // explain the patterns below
	Bare        bool // no labels under the time axis: another picture follows below
}

// A StripRow is one controller's day. What its spans leave open is hatched as no data.
type StripRow struct {
	ID    string // becomes data-id
	Name  string
	Href  string // where the name leads; empty: nowhere
	Note  string // a word at the right, as in "did not follow"
	State State  // of the note
	Spans []StageSpan
}

// A StageSpan is a time in one stage.
type StageSpan struct {
	From, To time.Time
	Stage    fleet.Stage
}

const (
	rowName = 17.0 // height of a row's name
	rowBand = 18.0
	rowGap  = 7.0
)

// SVG draws the strip.
func (s Strip) SVG() template.HTML {
	w := size(s.Width, 960)
	p := newPlot(w, s.From, s.To, s.Zone)
	p.top = 2
	p.bottom = p.top + float64(len(s.Rows))*(rowName+rowBand+rowGap)
	h := p.bottom + 6
	if !s.Bare {
		h = p.bottom + axisRoom
	}
	keyAt := h
	if s.Key {
		h += stageKeyHeight(w)
	}
	c := begin("strip", "group", s.ID, s.Title, s.describe(), w, h)
	c.start("defs")
	c.hatching()
	c.stagePatterns()
	c.end()
	c.timeAxis(&p, !s.Bare)
	now := s.Now
	if now.IsZero() || now.After(s.To) {
		now = s.To
	}
	c.aimed(&p, false)
	for i := range s.Rows {
		c.row(&p, &s.Rows[i], p.top+float64(i)*(rowName+rowBand+rowGap), now)
	}
	c.end()
	if s.Key {
		c.stageKey(p.left, keyAt, w)
	}
	return c.html()
}

func (c *canvas) row(p *plot, r *StripRow, top float64, now time.Time) {
	c.start("g", "class", "dr-row", "data-id", r.ID)
	noteRoom := 0.0
	if r.Note != "" {
		noteRoom = min((p.right-p.left)/2, 220)
	}
	c.linked(r.Href, r.Name)
	c.text("dr-name", left, p.left, top+13, p.right-p.left-noteRoom-8, normal, r.Name)
	c.unlinked(r.Href)
	if r.Note != "" {
		c.text("dr-strong "+r.State.Class()+"-text", right, p.right-16, top+13, noteRoom-16, strong, r.Note)
		c.mark(r.State, p.right-6, top+9, 5)
	}
	band := *p
	band.top, band.bottom = top+rowName, top+rowName+rowBand
	known := make(spans, 0, len(r.Spans))
	for _, s := range r.Spans {
		if s.Stage != fleet.StageUnknown && s.To.After(s.From) {
			known = append(known, span{p.x(s.From), p.x(s.To)})
		}
	}
	for _, g := range known.gaps(p.left, p.within(p.x(now))) {
		c.hatch(&band, g.from, g.to)
	}
	for _, s := range r.Spans {
		c.stageSpan(&band, s)
	}
	c.line("dr-base", p.left, band.bottom, p.right, band.bottom)
	c.end()
}

func (c *canvas) stageSpan(p *plot, s StageSpan) {
	x0, x1 := p.within(p.x(s.From)), p.within(p.x(s.To))
	if s.Stage == fleet.StageUnknown || int(s.Stage) >= len(looks) || x1 <= x0 {
		return
	}
	c.start("g", "data-word", s.Stage.String())
	c.start("title").chars(fmt.Sprintf("%s, %s to %s", s.Stage,
		s.From.In(p.zone).Format("2 Jan 15:04:05"), s.To.In(p.zone).Format("2 Jan 15:04:05"))).end()
	c.stageBox(s.Stage, x0, p.top, max(x1-x0, 0.75), p.bottom-p.top)
	if w, _ := width(s.Stage.String(), small); x1-x0 > w+10 {
		c.plain("dr-stage-word", left, x0+5, p.bottom-4, s.Stage.String())
	}
	c.end()
}

// linked names what follows, and makes it a link if there is somewhere to go. Whoever calls it calls unlinked with the same href. Its name is a
// title and no aria-label: the words that are seen may be cut short, and a label must hold what is seen (WCAG 2.5.3).
func (c *canvas) linked(href, name string) {
	if href != "" {
		c.start("a", "href", safeHref(href))
	}
	c.start("title").chars(name).end()
}

func (c *canvas) unlinked(href string) {
	if href != "" {
		c.end()
	}
}

// safeHref lets places of our own pages through and nothing that could run: a link begins with / or #, but not with //.
func safeHref(href string) string {
	if href != "" && (href[0] == '#' || href[0] == '/' && (len(href) == 1 || href[1] != '/' && href[1] != '\\')) {
		return href
	}
	return "#"
}
