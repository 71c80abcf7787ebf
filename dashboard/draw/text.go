package draw

import (
	"unicode"
	"unicode/utf8"
)

// escape appends s as XML character data or attribute value. What XML 1.0 (section 2.2) cannot hold is left out; line
// ends and tabs become blanks.
func escape(b []byte, s string) []byte {
	for _, r := range s {
		switch {
		case r == '<':
			b = append(b, "&lt;"...)
		case r == '>':
			b = append(b, "&gt;"...)
		case r == '&':
			b = append(b, "&amp;"...)
		case r == '"':
			b = append(b, "&#34;"...)
		case r == '\'':
			b = append(b, "&#39;"...)
		case r == '\n' || r == '\r' || r == '\t':
			b = append(b, ' ')
		case r < ' ' || r >= 0x7f && r <= 0x9f || r == 0xfffe || r == 0xffff || r == utf8.RuneError:
		default:
			b = utf8.AppendRune(b, r)
		}
	}
	return b
}

// Sizes of text in pixels, as the style sheet has them. Bold letters are wider, so for measuring they count as larger.
const (
	small  = 11.0        // axes, notes
	strong = 11.0 * 1.12 // what is abnormal
	normal = 12.5 * 1.12 // names
	large  = 20.0 * 1.12 // the bank
)

// advance returns how wide a rune is at most, in parts of the text's size, in the sans-serif fonts that browsers use,
// and whether that is known. Widths are those of DejaVu Sans, rounded up: it is wider than the usual ones.
func advance(r rune) (em float64, known bool) {
	switch {
	case r > 0x17f:
		switch r {
		case '…', '→', '—':
			return 1, true
		case '–', 'Ω':
			return 0.8, true
		case 'μ', '−':
			return 0.84, true
		}
		switch {
		case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
			return 0, false
		case r < 0x700: // Greek, Cyrillic, Hebrew, Arabic
			return 0.85, false
		}
		return 1.2, false
	case r >= '0' && r <= '9':
		return 0.64, true
	case r == 'i' || r == 'j' || r == 'l' || r == 'I' || r == '.' || r == ',' || r == ' ' || r == '\'' || r == '|':
		return 0.34, true
	case r == 'f' || r == 't' || r == 'r' || r == ':' || r == ';' || r == '-' || r == '/' || r == '(' || r == ')' || r == '·':
		return 0.42, true
	case r == 'c' || r == 's' || r == 'k' || r == 'z' || r == 'x' || r == 'v' || r == 'y':
		return 0.6, true
	case r == 'm' || r == 'M' || r == 'W' || r == '@' || r == '%' || r == 'w':
		return 1, true
	case r >= 'A' && r <= 'Z' || r == '+' || r == '=' || r == '<' || r == '>' || r == '&' || r > 0x7f:
		return 0.84, true
	}
	return 0.64, true
}

// width returns how wide s is at most at a size, and whether that is certain.
func width(s string, size float64) (w float64, certain bool) {
	certain = true
	for _, r := range s {
		em, known := advance(r)
		w += em * size
		certain = certain && known
	}
	return w, certain
}

// textWidth is how wide s is at most at a size.
func textWidth(s string, size float64) float64 {
	w, _ := width(s, size)
	return w
}

// fit shortens s to the room at a size, with an ellipsis. A mark that belongs to the rune before it stays with it.
func fit(s string, room, size float64) string {
	if w, _ := width(s, size); w <= room {
		return s
	}
	room -= size
	w, cut := 0.0, 0
	for i, r := range s {
		joined := unicode.In(r, unicode.Mn, unicode.Me) || r == 0x200d || r >= 0xfe00 && r <= 0xfe0f
		if !joined {
			cut = i
		}
		em, _ := advance(r)
		if w += em * size; w > room {
			break
		}
	}
	return s[:cut] + "…"
}

// wrap breaks s at a blank into at most two lines of the room, and cuts what is still too long.
func wrap(s string, room, size float64) []string {
	if textWidth(s, size) <= room {
		return []string{s}
	}
	at := 0
	for i, r := range s {
		if r == ' ' && i > 0 && textWidth(s[:i], size) <= room {
			at = i
		}
	}
	if at == 0 {
		return []string{fit(s, room, size)}
	}
	return []string{s[:at], fit(s[at+1:], room, size)}
}

// Anchors of text.
const (
	left   = "start"
	middle = "middle"
	right  = "end"
)

// text writes one line of text with its baseline at y, cut to the room. Text whose width cannot be known goes into a
// viewport of its own, which clips it: a font may draw one rune wider than a whole label.
func (c *canvas) text(class, anchor string, x, y, room, size float64, s string) {
	if s == "" {
		return
	}
	s = fit(s, room, size)
	if _, certain := width(s, size); certain {
		c.plain(class, anchor, x, y, s)
		return
	}
	at := x
	switch anchor {
	case middle:
		at, x = x-room/2, room/2
	case right:
		at, x = x-room, room
	default:
		x = 0
	}
	c.b = append(c.b, "<svg"...)
	c.num("x", at)
	c.num("y", y-1.2*size)
	c.num("width", max(1, room))
	c.num("height", 1.6*size)
	c.b = append(c.b, '>')
	c.plain(class, anchor, x, 1.2*size, s)
	c.b = append(c.b, "</svg>"...)
}

func (c *canvas) plain(class, anchor string, x, y float64, s string) {
	c.b = append(c.b, "<text"...)
	c.attr("class", class)
	if anchor != left {
		c.attr("text-anchor", anchor)
	}
	c.num("x", x)
	c.num("y", y)
	c.b = append(c.b, '>')
	c.chars(s)
	c.b = append(c.b, "</text>"...)
}
