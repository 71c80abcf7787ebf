package dashboard_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/poller"
	"ringwarden/simulator"
)

type putter func(*fleet.Frame)

func (p putter) Put(f *fleet.Frame) { p(f) }

// A bench is the demo's ring served over Modbus TCP, with the real poller and everything behind the pages.
type bench struct {
	sim     *simulator.Plant
	world   *world
	options dashboard.Options
}

// newBench serves a ring in which twenty seconds pass in one, until the test ends.
func newBench(t *testing.T, longest time.Duration) *bench {
	t.Helper()
	f, maps := demoFleet(t, func(f *fleet.Fleet) {
		f.Periods = fleet.Periods{Fast: 500 * time.Millisecond, Normal: time.Second, Slow: 5 * time.Second}
	})
	sim, err := simulator.New(f, maps, simulator.Options{Seed: 7, Weather: simulator.Clear})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	owned := make(chan error, 3)
	served := make(chan map[string]string, 1)
	go func() {
		owned <- simulator.Serve(ctx, sim, simulator.ServeOptions{Speed: 20, AnyPort: true, Ready: func(a map[string]string) { served <- a }})
	}()
	addresses := <-served
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool { c.Host = addresses[c.Host]; return true })
	devices, err := poller.Devices(f, maps)
	if err != nil {
		t.Fatal(err)
	}
	live := dashboard.NewLive(f)
	p := poller.New(poller.Config{}, live)
	p.Update(devices, f.Periods)
	tests := dashboard.NewCableTests(func(ctx context.Context, ids []fleet.ControllerID, put func(*fleet.Frame)) error {
		return p.Watch(ctx, ids, putter(put))
	}, longest)
	go func() { owned <- p.Run(ctx) }()
	go func() { tests.Run(ctx); owned <- nil }()
	t.Cleanup(func() {
		cancel()
		for range 3 {
			if err := <-owned; err != nil {
				t.Error(err)
			}
		}
		p.Wait()
	})
	w := newWorld(t, nil)
	o := w.options()
	o.Live, o.CableTests, o.Now = live, tests, time.Now
	return &bench{sim, w, o}
}

// recordTones makes a page note every tone that it starts, before it loads: its frequency, its link's context, and when.
const recordTones = `(() => {
	window.tones = [];
	const start = OscillatorNode.prototype.start;
	OscillatorNode.prototype.start = function (at) {
		window.tones.push({hz: this.frequency.value, state: this.context.state, type: this.type});
		return start.call(this, at);
	};
	window.shakes = 0;
	navigator.vibrate = () => { window.shakes++; return true; };
})()`

func (b *browser) before(script string) {
	b.t.Helper()
	b.do(func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		if _, err := cdp.Call(ctx, target, page.Enable, page.EnableParams{}); err != nil {
			return chromedp.Void{}, err
		}
		_, err := cdp.Call(ctx, target, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: script})
		return chromedp.Void{}, err
	})
}

// tonesAt counts the tones of a frequency, within a tenth of a hertz.
func tonesAt(hz float64) string {
	return fmt.Sprintf("window.tones.filter(t => Math.abs(t.hz - %g) < 0.1).length", hz)
}

// The pitches of the first and the fourth cable: G4, and seven semitones above (equal temperament, ISO 16: A4 is 440 Hz).
const firstPitch, fourthPitch = 392.0, 587.33

// With a cable made bad in the simulator the tone of that cable sounds, its tile says so, and the log grows; with one cut,
// the lower tone of silence; muted, nothing sounds; the result is kept.
func TestCableTestSounds(t *testing.T) {
	bench := newBench(t, 0)
	origin := serve(t, bench.options)
	b := openBrowser(t, origin)
	b.before(recordTones)
	b.look(390, "light")
	b.do(chromedp.Navigate(origin + testPath))
	b.until("the maps are known", `document.querySelector("#test-start") !== null`, browserTime)
	if n := evaluate[int](b, "window.tones.length"); n != 0 {
		t.Errorf("%d tones before anybody pressed anything", n)
	}
	const tile = `document.querySelectorAll(".tile")[%d]`
	says := func(i int, what string) string {
		return fmt.Sprintf(tile+`.querySelector(".word").textContent === %q`, i, what)
	}
	b.do(chromedp.Click(chromedp.CSS("#test-start button")))
	for i := range 5 {
		b.until(fmt.Sprintf("tile %d is good", i), says(i, "good"), browserTime)
	}
	b.shoot("cabletest-good-390-light")
	noise := simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.5}
	if err := bench.sim.Inject(noise); err != nil {
		t.Fatal(err)
	}
	b.until("the first cable's tone", tonesAt(firstPitch)+" >= 3", browserTime)
	b.until("the tile says so", fmt.Sprintf(tile+`.classList.contains("medium")`, 0), browserTime)
	b.until("the log says so", `/Barn roof to South field: .*bad frame/.test(document.getElementById("test-log").textContent)`, browserTime)
	if n := evaluate[int](b, `window.tones.filter(t => t.state !== "running").length`); n != 0 {
		t.Errorf("%d tones were started where no sound is let out", n)
	}
	if evaluate[int](b, "window.shakes") == 0 {
		t.Error("the phone did not shake")
	}
	bench.sim.Clear(noise.Kind, noise.On)
	cut := fleet.Subject(wheelhouse + "/ridge-turbine>millers-loft")
	if err := bench.sim.Inject(simulator.Fault{Kind: simulator.CutLink, On: cut}); err != nil {
		t.Fatal(err)
	}
	b.until("the tone of silence", tonesAt(fourthPitch/2)+" >= 2", browserTime)
	b.until("the tile of the cut cable", says(3, "nothing arrives"), browserTime)
	b.shoot("cabletest-cut-390-light")
	b.muted(t)
	bench.sim.Clear(simulator.CutLink, cut)
	b.until("the cable is back", `/arrives again/.test(document.getElementById("test-log").textContent)`, browserTime)

	b.do(chromedp.Click(chromedp.CSS("#test-stop button")))
	b.until("the test is over", `/^Ended after/.test(document.getElementById("test-word").textContent)`, browserTime)
	b.do(chromedp.SendKeys(chromedp.CSS(`#test-keep input[name="why"]`), "wiggled every plug"), chromedp.Click(chromedp.CSS("#test-keep button")))
	b.until("it is kept", fmt.Sprintf("document.readyState === 'complete' && location.pathname === %q && document.querySelector('.tile .count').textContent !== ''", testPath), browserTime)
	deadline := time.Now().Add(browserTime)
	for len(bench.world.notes(t)) == 0 && time.Now().Before(deadline) {
		<-time.After(20 * time.Millisecond)
	}
	if notes := bench.world.notes(t); len(notes) != 1 || !strings.Contains(notes[0].Text, "wiggled every plug") || !strings.Contains(notes[0].Text, "Barn roof to South field") {
		t.Errorf("kept: %+v", notes)
	}
	b.check("cable test")
}

// muted turns the sound off by the keyboard and sees that nothing sounds while the log goes on.
func (b *browser) muted(t *testing.T) {
	t.Helper()
	b.do(chromedp.Focus(chromedp.CSS("#test-sound")), chromedp.KeyEvent("\r"))
	b.until("the sound is off", `document.getElementById("test-sound").getAttribute("aria-pressed") === "false"`, browserTime)
	before := evaluate[int](b, "window.tones.length")
	b.until("the silence goes on", `performance.now() > (window.since ??= performance.now()) + 2500`, browserTime) // two beats
	if after := evaluate[int](b, "window.tones.length"); after != before {
		t.Errorf("%d tones sounded although the sound is off", after-before)
	}
}

// A test that is over says why and can be begun again, without a reload.
func TestCableTestEndsInTheBrowser(t *testing.T) {
	bench := newBench(t, 3*time.Second)
	origin := serve(t, bench.options)
	b := openBrowser(t, origin)
	b.look(390, "dark")
	b.do(chromedp.Navigate(origin+testPath), chromedp.Click(chromedp.CSS("#test-start button")))
	over := `/^Ended after \d+ s: its time was over/.test(document.getElementById("test-word").textContent) && !document.getElementById("test-start").hidden`
	b.until("it ended by itself", over, browserTime)
	b.do(chromedp.Click(chromedp.CSS("#test-start button")))
	b.until("it goes on", `document.getElementById("test-start").hidden && /under way/i.test(document.getElementById("test-word").textContent)`, browserTime)
	b.until("it ended again", over, browserTime)
	b.check("cable test")
}

// The page in every size and colour, before, in and after a test.
func TestCableTestInEverySize(t *testing.T) {
	script := axe(t)
	bench := newBench(t, 0)
	origin := serve(t, bench.options)
	b := openBrowser(t, origin)
	look := func(name, path string) {
		for _, width := range []int64{390, 1440} {
			for _, scheme := range []string{"light", "dark"} {
				what := fmt.Sprintf("%s-%d-%s", name, width, scheme)
				b.look(width, scheme)
				b.do(chromedp.Navigate(origin + path))
				if name == "cabletest-running" {
					b.until("the tiles live", `document.querySelectorAll(".tile.none").length === 0`, browserTime)
				}
				if over := evaluate[float64](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
					t.Errorf("%s: the page is %v px wider than the window", what, over)
				}
				b.accessible(what, script)
				b.shoot(what)
				b.check(what)
			}
		}
	}
	look("cabletests", "/cabletest")
	look("cabletest", testPath)
	if err := bench.sim.Inject(simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.3}); err != nil {
		t.Fatal(err)
	}
	if err := bench.sim.Inject(simulator.Fault{Kind: simulator.CutLink, On: fleet.Subject(otherLink)}); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.Click(chromedp.CSS("#test-start button")))
	b.until("the cut cable is known", `document.querySelectorAll(".tile")[2].classList.contains("high")`, browserTime)
	look("cabletest-running", testPath)
}
