package draw

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// luminance is the relative luminance of WCAG 2.2, section 'Terms', for a colour #rrggbb.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	v, err := strconv.ParseUint(strings.TrimPrefix(colour, "#"), 16, 32)
	if err != nil || len(colour) != 7 {
		t.Fatalf("%q is no colour #rrggbb", colour)
	}
	part := func(shift uint) float64 {
		c := float64(v>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

// contrast is the contrast ratio of WCAG 2.2, section 'Terms'.
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

// Black on white is 21 to 1 (WCAG 2.2, 'contrast ratio': ratios range from 1 to 21); #767676 is the lightest grey that
// reaches 4.5 to 1 on white (common practice; from memory).
func TestContrastFormula(t *testing.T) {
	if got := contrast(t, "#000000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white is %g, want 21", got)
	}
	if got := contrast(t, "#767676", "#ffffff"); got < 4.5 {
		t.Errorf("#767676 on white is %g, want at least 4.5", got)
	}
	if got := contrast(t, "#777777", "#ffffff"); got >= 4.5 {
		t.Errorf("#777777 on white is %g, want less than 4.5", got)
	}
}

var variable = regexp.MustCompile(`--dr-([a-z0-9-]+):\s*(#[0-9a-f]{6})`)

// themes reads the variables of the style sheet: light, dark by the system, dark by the page, paper.
func themes(t *testing.T) map[string]map[string]string {
	t.Helper()
	out := map[string]map[string]string{}
	blocks := map[string]string{
		"light": ":root {", "dark by system": `:root:not([data-theme="light"]) {`, "dark by page": `:root[data-theme="dark"] {`, "paper": ":root, :root[data-theme] {",
	}
	for name, start := range blocks {
		_, rest, ok := strings.Cut(CSS(), start)
		if !ok {
			t.Fatalf("no block %q in the style sheet", start)
		}
		body, _, _ := strings.Cut(rest, "}")
		out[name] = map[string]string{}
		for _, m := range variable.FindAllStringSubmatch(body, -1) {
			out[name][m[1]] = m[2]
		}
	}
	for k, v := range out["light"] {
		if _, ok := out["paper"][k]; !ok {
			out["paper"][k] = v
		}
	}
	return out
}

// Text: at least 4.5 to 1 (WCAG 2.2, 1.4.3). What a person must see to understand a picture: at least 3 to 1 (1.4.11).
// Grid lines, hatching and the fills that have an outline are neither.
func TestContrast(t *testing.T) {
	for theme, colours := range themes(t) {
		check := func(least float64, front string, backs ...string) {
			for _, back := range backs {
				if colours[front] == "" || colours[back] == "" {
					t.Errorf("%s: --dr-%s or --dr-%s is missing", theme, front, back)
					continue
				}
				if got := contrast(t, colours[front], colours[back]); got < least {
					t.Errorf("%s: --dr-%s on --dr-%s is %.2f to 1, want %g", theme, front, back, got, least)
				}
			}
		}
		for _, text := range []string{"ink", "quiet", "alarm", "warn", "watch"} {
			check(4.5, text, "ground", "card")
		}
		check(4.5, "stage-ink", "stage", "stage-light")
		for _, mark := range []string{"line", "focus", "s1", "s2", "s3", "s4", "s5", "s6"} {
			check(3, mark, "ground", "card")
		}
		for _, fill := range []string{"alarm", "warn", "watch"} {
			check(3, "on", fill)
		}
	}
}

// The two dark themes must not drift apart.
func TestDarkIsDark(t *testing.T) {
	all := themes(t)
	system, page := all["dark by system"], all["dark by page"]
	if len(system) == 0 || len(system) != len(page) || len(system) != len(all["light"]) {
		t.Fatalf("%d, %d and %d variables", len(system), len(page), len(all["light"]))
	}
	for k, v := range system {
		if page[k] != v {
			t.Errorf("--dr-%s is %s and %s", k, v, page[k])
		}
	}
}

// A class without a rule would be drawn in no colour at all: invisible.
func TestEveryClassHasARule(t *testing.T) {
	unstyled := map[string]bool{ // names for scripts and for grouping
		"dr-ring": true, "dr-heat": true, "dr-strip": true, "dr-bars": true, "dr-columns": true, "dr-plot": true, "dr-row": true, "dr-column": true,
		"dr-calm": true, "dr-link": true, "dr-call": true, "dr-none": true, "dr-stage": true, "dr-jagged": true, "dr-unit": true, "dr-swatch": true,
		"dr-wide-unit": true, "dr-event": true, "dr-silent": true, "dr-aside": true, "dr-bar": true, "dr-tick": true,
		"dr-silent-text": true, "dr-calm-text": true, "dr-aside-text": true,
	}
	class := regexp.MustCompile(`class="([^"]*)"`)
	seen := map[string]bool{}
	for _, svg := range pictures(640) {
		for _, m := range class.FindAllStringSubmatch(string(svg), -1) {
			for _, c := range strings.Fields(m[1]) {
				seen[c] = true
			}
		}
	}
	if len(seen) < 40 {
		t.Fatalf("only %d classes in all pictures", len(seen))
	}
	for c := range seen {
		if !unstyled[c] && !regexp.MustCompile(`\.`+c+`[^a-z0-9-]`).MatchString(CSS()) {
			t.Errorf("no rule for class %s", c)
		}
	}
}

// Colours belong to the style sheet alone, so that every picture follows the reader's theme.
func TestPicturesHaveNoColours(t *testing.T) {
	for name, svg := range pictures(640) {
		for _, kind := range []string{"rect", "path", "line", "circle", "text", "g", "svg", "a"} {
			for _, attrs := range elements(t, string(svg), kind) {
				if f := attrs["fill"]; attrs["style"] != "" || attrs["stroke"] != "" || f != "" && !strings.HasPrefix(f, "url(#dr-") {
					t.Fatalf("%s: a %s has a colour or style of its own: %v", name, kind, attrs)
				}
			}
		}
	}
}
