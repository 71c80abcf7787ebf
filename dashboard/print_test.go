package dashboard_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"ringwarden/simulator"
)

// A paper is a size of paper in inches: ISO 216 and ANSI/ASME Y14.1.
type paper struct {
	name          string
	width, height float64
}

var papers = []paper{{"a4", 210 / 25.4, 297 / 25.4}, {"letter", 8.5, 11}}

// poppler returns the path of one of poppler's programs, which read PDF files without the browser's help.
func poppler(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
		return path
	case os.Getenv("CI") == "true":
		t.Fatalf("there is no %s; .ci/peers installs it", name)
	}
	t.Skipf("left out: how reports look on paper; install Debian's poppler-utils for %s, or run make peers", name)
	return ""
}

// printed prints the page that the browser shows and returns the path of the PDF.
func (b *browser) printed(p paper, name string) string {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserTime)
	defer cancel()
	data, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, target, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: p.width, PaperHeight: p.height})
		if err != nil {
			return nil, err
		}
		return r.Data, nil
	})
	if err != nil {
		b.t.Fatal(err)
	}
	path := filepath.Join(artefacts(b.t), name+"-"+p.name+".pdf")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		b.t.Fatal(err)
	}
	return path
}

var (
	pageBox = regexp.MustCompile(`<page width="([\d.]+)" height="([\d.]+)"`)
	wordBox = regexp.MustCompile(`<word xMin="(-?[\d.]+)" yMin="(-?[\d.]+)" xMax="(-?[\d.]+)" yMax="(-?[\d.]+)">([^<]*)</word>`)
)

// A report on paper is whole on A4 and on Letter: every word of the page is there and within the margins, nothing of
// the screen's buttons and links is, and it takes few pages.
func TestReportOnPaper(t *testing.T) {
	totext, topicture := poppler(t, "pdftotext"), poppler(t, "pdftoppm")
	w := newWorld(t, nil)
	w.run(3 * time.Hour)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	if err := w.sim.Inject(simulator.Fault{Kind: simulator.WrongSetpoint, On: barnRoof}); err != nil {
		t.Fatal(err)
	}
	w.run(time.Hour)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(1440, "dark") // paper is white whatever the screen is
	day := w.clock().In(w.fleet.Sites[0].Zone).Format("2006-01-02")
	for name, tt := range map[string]struct {
		path       string
		most       int // pages
		last, must string
	}{
		"report-month":         {millReport, 4, "Notes", "Energy of each day"},
		"report-commissioning": {millReport + "?from=" + day + "T09:00&settings=1", 5, "Notes", "Settings: intended and actual"},
	} {
		b.do(chromedp.Navigate(origin + tt.path))
		whole := b.printedWords()
		for _, p := range papers {
			path := b.printed(p, name)
			boxes, err := exec.Command(totext, "-bbox", path, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			pages := strings.Split(string(boxes), "<page ")[1:]
			if len(pages) > tt.most {
				t.Errorf("%s on %s takes %d pages, want %d at most", name, p.name, len(pages), tt.most)
			}
			words := 0
			for i, text := range pages {
				words += insidePaper(t, fmt.Sprintf("%s on %s, page %d", name, p.name, i+1), "<page "+text, p)
			}
			plain, err := exec.Command(totext, "-layout", path, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			on := map[string]bool{}
			for _, word := range strings.Fields(string(plain)) {
				on[word] = true
			}
			for _, word := range whole {
				if !on[word] {
					t.Errorf("%s on %s lacks %q, which the page has", name, p.name, word)
				}
			}
			for _, want := range []string{"Fernhollow Mill", "Energy by source", "Time in each stage", "Cables", "never a protective device", tt.last, tt.must} {
				if !strings.Contains(string(plain), want) {
					t.Errorf("%s on %s does not have %q", name, p.name, want)
				}
			}
			for _, bad := range []string{"Show the month", "This is the demo", "the month before", "JSON"} {
				if strings.Contains(string(plain), bad) {
					t.Errorf("%s on %s has %q, which is for a screen", name, p.name, bad)
				}
			}
			if words < 300 {
				t.Errorf("%s on %s has %d words only", name, p.name, words)
			}
			if out, err := exec.Command(topicture, "-r", "80", "-png", path, strings.TrimSuffix(path, ".pdf")).CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		}
		b.check(name)
	}
}

// Names of any length and kind stay within the margins too.
func TestHostileReportOnPaper(t *testing.T) {
	totext := poppler(t, "pdftotext")
	w := hostileWorld(t)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(1440, "light")
	b.do(chromedp.Navigate(origin + millReport + "?from=2026-06-21T11:00&settings=1"))
	for _, p := range papers {
		boxes, err := exec.Command(totext, "-bbox", b.printed(p, "report-hostile"), "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		words := 0
		for i, text := range strings.Split(string(boxes), "<page ")[1:] {
			words += insidePaper(t, fmt.Sprintf("%s, page %d", p.name, i+1), "<page "+text, p)
		}
		if words < 300 {
			t.Errorf("%s has %d words only", p.name, words)
		}
	}
	b.check("hostile report on paper")
}

// printedWords returns the words that the page has for paper.
func (b *browser) printedWords() []string {
	b.t.Helper()
	media := func(name string) {
		b.do(func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: name})
			return chromedp.Void{}, err
		})
	}
	media("print")
	words := strings.Fields(evaluate[string](b, "document.querySelector('main').innerText"))
	media("")
	if len(words) < 250 {
		b.t.Errorf("the page has %d words for paper", len(words))
	}
	return words
}

// insidePaper checks that the words of a page lie within its margins, and returns how many there are.
func insidePaper(t *testing.T, what, text string, p paper) int {
	t.Helper()
	size := pageBox.FindStringSubmatch(text)
	if size == nil {
		t.Fatalf("%s has no size", what)
	}
	width, height := number(t, size[1]), number(t, size[2])
	if d := width - p.width*72; d < -1 || d > 1 {
		t.Errorf("%s is %v points wide, want %v", what, width, p.width*72)
	}
	const margin = 14 / 25.4 * 72 // at the sides, of print.css less what a letter may stand out by
	const edge = 5 / 25.4 * 72    // above and below, where the page's number is: what a printer leaves white
	words := wordBox.FindAllStringSubmatch(text, -1)
	for _, m := range words {
		if x0, y0, x1, y1 := number(t, m[1]), number(t, m[2]), number(t, m[3]), number(t, m[4]); x0 < margin || x1 > width-margin || y0 < edge || y1 > height-edge {
			t.Errorf("%s: %q lies at %v to %v across and %v to %v down, outside the margins", what, m[5], x0, x1, y0, y1)
		}
	}
	return len(words)
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
