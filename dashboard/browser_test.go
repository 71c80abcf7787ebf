package dashboard_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"ringwarden/simulator"
)

// A browser is one tab of a real one, whose complaints and requests are written down.
type browser struct {
	t      *testing.T
	ctx    context.Context
	origin string

	mu       sync.Mutex // guards all below
	faults   []string   // console errors, exceptions
	strayed  []string   // requests to anywhere else
	requests int
}

// chromium returns the path of a browser. Without one the test is left out, unless CI=true.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("there is no chromium; .ci/peers installs it")
	}
	t.Skip("left out: how the pages look and behave in a real browser; install Debian's chromium, or run make peers")
	return ""
}

// axe returns the script that checks pages for accessibility.
func axe(t *testing.T) string {
	t.Helper()
	body, err := os.ReadFile(filepath.Join("..", "testdata", "npm", "node_modules", "axe-core", "axe.min.js"))
	switch {
	case err == nil:
		return string(body)
	case os.Getenv("CI") == "true":
		t.Fatalf("there is no axe-core; .ci/peers installs it: %v", err)
	}
	t.Skip("left out: accessibility of the pages by axe-core; install it with npm install --prefix testdata/npm, or run make peers")
	return ""
}

func openBrowser(t *testing.T, origin string) *browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-component-update", true))
	ctx, cancelAll := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(func() { cancel(); cancelAll() })
	b := &browser{t: t, ctx: ctx, origin: origin}
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	b.do(func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		if _, err := cdp.Call(ctx, target, network.Enable, network.EnableParams{}); err != nil {
			return chromedp.Void{}, err
		}
		_, err := cdp.Call(ctx, target, log.Enable, cdp.Empty{})
		return chromedp.Void{}, err
	})
	return b
}

// hear writes down what must not be.
func (b *browser) hear(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *runtime.EventExceptionThrown:
		b.faults = append(b.faults, ev.ExceptionDetails.Text)
	case *runtime.EventConsoleAPICalled:
		if t := string(ev.Type); t == "error" || t == "warning" || t == "assert" {
			b.faults = append(b.faults, fmt.Sprintf("console %s: %d arguments", t, len(ev.Args)))
		}
	case *log.EventEntryAdded:
		if l := string(ev.Entry.Level); l == "error" || l == "warning" {
			b.faults = append(b.faults, ev.Entry.Text+" "+ev.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		b.requests++
		// What the browser carries with it (the icons of its date fields) goes to nobody.
		if u, err := url.Parse(ev.Request.URL); err != nil || u.Scheme != "data" && u.Scheme+"://"+u.Host != b.origin {
			b.strayed = append(b.strayed, ev.Request.URL)
		}
	}
}

// browserTime bounds each thing that the browser is asked for.
const browserTime = 20 * time.Second

func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserTime)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// evaluate evaluates an expression of JavaScript.
func evaluate[T any](b *browser, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserTime)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to be true. It asks again after a navigation, in which there is nothing to ask.
func (b *browser) until(what, expression string, within time.Duration) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, within)
	defer cancel()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for {
		if seen, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression)); err == nil && seen {
			return
		}
		select {
		case <-ctx.Done():
			b.t.Fatalf("%s: not seen within %v", what, within)
		case <-again.C:
		}
	}
}

// look sets the size of the window and the reader's wish for light or dark.
func (b *browser) look(width int64, scheme string) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, 900), func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return chromedp.Void{}, err
	})
}

// artefacts returns the folder in which pictures of pages are kept, for people to look at: what RINGWARDEN_PAGES names,
// or out/pages, which nobody commits.
func artefacts(t *testing.T) string {
	t.Helper()
	folder := os.Getenv("RINGWARDEN_PAGES")
	if folder == "" {
		folder = filepath.Join("..", "out", "pages")
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	return folder
}

// still sets the reader's wish for no motion.
func (b *browser) still() {
	b.t.Helper()
	b.do(func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}},
		})
		return chromedp.Void{}, err
	})
}

// shoot keeps a picture of the whole page.
func (b *browser) shoot(name string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, browserTime)
	defer cancel()
	picture, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(artefacts(b.t), name+".png"), picture, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// check fails the test if the browser complained or a request left the daemon.
func (b *browser) check(what string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		b.t.Errorf("%s: the browser complains: %s", what, f)
	}
	for _, u := range b.strayed {
		b.t.Errorf("%s: a request went to %s", what, u)
	}
	if b.requests == 0 {
		b.t.Errorf("%s: no request was seen at all, so none could have strayed", what)
	}
	b.faults, b.strayed = nil, nil
}

// accessible runs axe-core over the page with the rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices.
func (b *browser) accessible(what, script string) {
	b.t.Helper()
	result := evaluate[json.RawMessage](b, script+`;
		axe.run(document, {resultTypes: ["violations"]}).then(r => ({passes: r.passes.length, violations: r.violations.map(v => ({
			id: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 200) + " " + n.failureSummary)}))}))`)
	var r struct {
		Passes     int
		Violations []struct {
			ID, Help string
			Nodes    []string
		}
	}
	if err := json.Unmarshal(result, &r); err != nil {
		b.t.Fatal(err)
	}
	if r.Passes < 10 {
		b.t.Errorf("%s: axe-core passed %d rules only; it has not looked at a page", what, r.Passes)
	}
	for _, v := range r.Violations {
		b.t.Errorf("%s: %s (%s)\n\t%s", what, v.Help, v.ID, strings.Join(v.Nodes, "\n\t"))
	}
}

const millPage = "/sites/fernhollow-mill"

// visit opens a page and checks that it is whole, readable, accessible, quiet, and asks nobody else for anything; and
// keeps a picture of it.
func (b *browser) visit(what, name, address string, width int64, scheme, script string) {
	b.t.Helper()
	b.look(width, scheme)
	b.do(chromedp.Navigate(address))
	if over := evaluate[float64](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
		b.t.Errorf("%s: the page is %v px wider than the window", what, over)
	}
	b.accessible(what, script)
	b.shoot(what)
	if name == "trouble" { // its status is 404, which the browser notes
		b.faults = nil
	}
	b.check(what)
}

// Every page in every size and colour.
func TestPagesInABrowser(t *testing.T) {
	script := axe(t)
	w := newWorld(t, twoSites)
	w.run(3 * time.Hour)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	if err := w.sim.Inject(simulator.Fault{Kind: simulator.WrongSetpoint, On: barnRoof}); err != nil {
		t.Fatal(err)
	}
	w.run(30 * time.Minute)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	for _, page := range everyPage {
		for _, width := range []int64{390, 1440} {
			for _, scheme := range []string{"light", "dark"} {
				b.visit(fmt.Sprintf("%s-%d-%s", page.name, width, scheme), page.name, origin+page.path, width, scheme, script)
			}
		}
	}
}

// What happens at the plant must be seen without a reload, within two poll periods; and be gone when it is mended.
func TestLiveUpdateInABrowser(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Hour)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(1440, "light")
	b.do(chromedp.Navigate(origin+millPage), chromedp.WaitVisible(chromedp.CSS("#first .lead")))
	b.until("the page is live", `document.getElementById("pulse").textContent === "Live"`, browserTime)

	const link = "fernhollow-mill/wheelhouse/south-field>leat-turbine"
	b.do(chromedp.Click(chromedp.CSS(`button[data-link="` + link + `"]`)))
	b.until("the cable is pulled", `[...document.querySelectorAll("button[data-link]")].some(x => x.textContent.startsWith("Put it back"))`, browserTime)
	b.until("the page is live again", `document.getElementById("pulse").textContent === "Live"`, browserTime)
	if before := evaluate[bool](b, `/nothing arrive|not heard just now/.test(document.getElementById("now").textContent)`); before {
		t.Fatal("the page says that a cable carries nothing before any time has passed")
	}
	w.run(2 * worldPeriod)
	b.until("the cut cable shows", `/nothing arrive|not heard just now/.test(document.getElementById("now").textContent)`, 2*time.Second)
	w.run(3 * time.Minute)
	b.until("the alarm stands", `document.querySelector("#first .alarm") !== null`, 2*time.Second)
	b.shoot("live-cut")
	if err := w.Pull(link); err != nil {
		t.Fatal(err)
	}
	w.run(10 * time.Minute)
	b.until("the alarm is gone", `document.querySelector("#first .alarm") === null`, 2*time.Second)
	b.check("live update")
}
