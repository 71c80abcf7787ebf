package draw

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var (
	update  = flag.Bool("update", false, "rewrite the golden files")
	gallery = flag.String("gallery", "", "folder to write pages with every picture to, for looking at")
)

// Whoever changes a drawing looks at the pictures that change: the files open in any browser, uncoloured.
func TestGolden(t *testing.T) {
	for width, names := range map[int]string{
		366: "power stages ring-5-trouble ring-mill ring-40-trouble",
		900: "voltage year columns chart-empty",
		640: "heat-month bars ring-2 ring-8 ring-13-trouble ring-hostile",
	} {
		all := pictures(width)
		for _, name := range strings.Fields(names) {
			path := filepath.Join("testdata", "golden", name+".svg")
			svg := lines(string(all[name]))
			if *update {
				if err := os.WriteFile(path, []byte(svg), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if string(want) != svg {
				t.Errorf("%s differs from its golden file; look at both, then run with -update", path)
			}
		}
	}
}

// lines puts each element on a line of its own, so that a difference can be read.
func lines(svg string) string {
	return strings.ReplaceAll(svg, "><", ">\n<") + "\n"
}

// wellFormed reads a picture as XML and returns its character data.
func wellFormed(t testing.TB, svg string) string {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	var text strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return text.String()
		}
		if err != nil {
			t.Fatalf("not well-formed: %v in %.2000s", err, svg)
		}
		if chars, ok := token.(xml.CharData); ok {
			text.Write(chars)
			text.WriteByte('\n')
		}
	}
}

// Every picture is a document of its own as well as a part of a page.
func TestPicturesAreWellFormed(t *testing.T) {
	for name, svg := range pictures(640) {
		if text := wellFormed(t, string(svg)); strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s shows a number that is none", name)
		}
	}
}

func TestGallery(t *testing.T) {
	if *gallery == "" {
		t.Skip("wrote no pages to look at: -gallery names no folder")
	}
	for _, w := range []int{340, 1120} {
		all := pictures(w)
		var b strings.Builder
		b.WriteString(`<!doctype html><html lang="en"><meta charset="utf-8"><title>pictures</title><style>` + CSS() +
			`body{background:var(--dr-ground);color:var(--dr-ink);margin:12px;font:14px sans-serif}</style>`)
		for _, name := range slices.Sorted(maps.Keys(all)) {
			b.WriteString("<h3>" + name + "</h3>" + string(all[name]))
		}
		name := map[int]string{340: "phone", 1120: "desk"}[w]
		if err := os.WriteFile(filepath.Join(*gallery, name+".html"), []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
