package draw

import (
	_ "embed"
	"html/template"
)

//go:embed draw.css
var css string

//go:embed crosshair.js
var crosshair string

// CSS returns the style sheet of the pictures, for light, dark and paper. A page may set data-theme="light" or "dark"
// on its root element to override what the reader's system says. The variables that begin with --dr- may be used by
// the pages themselves.
func CSS() string { return css }

// Crosshair returns a script that lets a reader point at a chart and read its values, by pointer or by arrow keys. The
// pictures are complete without it.
func Crosshair() string { return crosshair }

// Both returns two drawings of one thing, of which the style sheet shows one: the narrow one on a phone, the wide one
// elsewhere and on paper. Draw is called with each width and an ending that the ID must get, to stay unique.
func Both(narrow, wide int, draw func(width int, ending string) template.HTML) template.HTML {
	return `<div class="dr-narrow">` + draw(narrow, "-n") + `</div><div class="dr-broad">` + draw(wide, "-w") + `</div>`
}
