package draw

import (
	"hash/fnv"
	"html/template"
	"math"
	"strconv"
)

// A canvas collects the text of one SVG document.
type canvas struct {
	b    []byte
	id   string
	open []string // elements that wait for their end
}

// limit keeps coordinates in the range in which every renderer is exact.
const limit = 1e6

// begin starts a document of w by h pixels. The role is "img" for pictures and "group" where parts can be reached.
func begin(kind, role, id, title, desc string, w, h float64) *canvas {
	c := &canvas{b: make([]byte, 0, 16<<10), id: safeID(kind, id, title)}
	c.b = append(c.b, `<svg xmlns="http://www.w3.org/2000/svg" class="dr dr-`...)
	c.b = append(c.b, kind...)
	c.b = append(c.b, '"')
	c.attr("id", c.id)
	c.attr("role", role)
	c.attr("aria-labelledby", c.id+"-t "+c.id+"-d")
	c.num("width", w)
	c.num("height", h)
	c.b = append(c.b, ` viewBox="0 0 `...)
	c.b = number(c.b, w)
	c.b = append(c.b, ' ')
	c.b = number(c.b, h)
	c.b = append(c.b, `">`...)
	c.open = append(c.open, "svg")
	c.start("title", "id", c.id+"-t").chars(title).end()
	c.start("desc", "id", c.id+"-d").chars(desc).end()
	return c
}

// safeID makes an XML id from what a page gave, or from the title.
func safeID(kind, id, title string) string {
	if id == "" {
		h := fnv.New32a()
		h.Write([]byte(title))
		return "dr-" + kind + "-" + strconv.FormatUint(uint64(h.Sum32()), 36)
	}
	out := []byte("dr-")
	for i := 0; i < len(id) && i < 80; i++ {
		b := id[i]
		if b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || b == '_' {
			out = append(out, b)
		} else {
			out = append(out, '-')
		}
	}
	return string(out)
}

// html ends every open element and returns the document.
func (c *canvas) html() template.HTML {
	for len(c.open) > 0 {
		c.end()
	}
	return template.HTML(c.b)
}

// start opens an element with attributes given as names and values. Empty values are left out.
func (c *canvas) start(name string, attrs ...string) *canvas {
	c.b = append(c.b, '<')
	c.b = append(c.b, name...)
	for i := 0; i+1 < len(attrs); i += 2 {
		if attrs[i+1] != "" {
			c.attr(attrs[i], attrs[i+1])
		}
	}
	c.b = append(c.b, '>')
	c.open = append(c.open, name)
	return c
}

// end closes the element that was opened last.
func (c *canvas) end() *canvas {
	name := c.open[len(c.open)-1]
	c.open = c.open[:len(c.open)-1]
	c.b = append(c.b, '<', '/')
	c.b = append(c.b, name...)
	c.b = append(c.b, '>')
	return c
}

func (c *canvas) attr(name, value string) {
	c.b = append(c.b, ' ')
	c.b = append(c.b, name...)
	c.b = append(c.b, '=', '"')
	c.b = escape(c.b, value)
	c.b = append(c.b, '"')
}

func (c *canvas) num(name string, v float64) {
	c.b = append(c.b, ' ')
	c.b = append(c.b, name...)
	c.b = append(c.b, '=', '"')
	c.b = number(c.b, v)
	c.b = append(c.b, '"')
}

// chars writes character data.
func (c *canvas) chars(s string) *canvas {
	c.b = escape(c.b, s)
	return c
}

// empty writes an element without content: a class, and numbers by name.
func (c *canvas) empty(name, class string, attrs ...any) {
	c.b = append(c.b, '<')
	c.b = append(c.b, name...)
	if class != "" {
		c.attr("class", class)
	}
	for i := 0; i+1 < len(attrs); i += 2 {
		key, _ := attrs[i].(string)
		switch v := attrs[i+1].(type) {
		case float64:
			c.num(key, v)
		case string:
			c.attr(key, v)
		}
	}
	c.b = append(c.b, '/', '>')
}

func (c *canvas) rect(class string, x, y, w, h float64) {
	c.empty("rect", class, "x", x, "y", y, "width", max(0, w), "height", max(0, h))
}

func (c *canvas) line(class string, x1, y1, x2, y2 float64) {
	c.empty("line", class, "x1", x1, "y1", y1, "x2", x2, "y2", y2)
}

func (c *canvas) path(class, d string) { c.empty("path", class, "d", d) }

// url returns the attribute value that paints with a pattern of this document.
func (c *canvas) url(name string) string { return "url(#" + c.id + "-" + name + ")" }

// number appends v with at most two decimals. What is not finite becomes 0: the callers keep such values out, and a
// picture must be well-formed even where one slips through.
func number(b []byte, v float64) []byte {
	if math.IsNaN(v) {
		v = 0
	}
	n := int64(math.Round(100 * min(max(v, -limit), limit)))
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendInt(b, n/100, 10)
	switch frac := n % 100; {
	case frac == 0:
	case frac%10 == 0:
		b = append(b, '.', byte('0'+frac/10))
	default:
		b = append(b, '.', byte('0'+frac/10), byte('0'+frac%10))
	}
	return b
}

// A trail builds the data of a path.
type trail struct{ b []byte }

func (t *trail) op(letter byte, args ...float64) *trail {
	t.b = append(t.b, letter)
	for i, v := range args {
		if i > 0 {
			t.b = append(t.b, ' ')
		}
		t.b = number(t.b, v)
	}
	return t
}

func (t *trail) String() string { return string(t.b) }
