package dashboard_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

// hostile are names that somebody might write into a fleet file, by accident or not.
var hostile = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, "\u202ereversed \u2066name", strings.Repeat("long ", 60), "🌊 {{.}} &amp; 'quoted'",
}

func hostileNames(f *fleet.Fleet) {
	site := &f.Sites[0]
	site.Name, site.Rings[0].Name = hostile[0], hostile[1]
	for i := range site.Rings[0].Controllers {
		site.Rings[0].Controllers[i].Name = hostile[i%len(hostile)]
	}
}

// everyPage is what must look well, hold names as text and ask nobody else for anything: every page of a fleet of two
// sites, by its name.
var everyPage = []struct{ name, path string }{
	{"overview", "/"},
	{"site", millPage},
	{"cables", cablesPath},
	{"cabletests", "/cabletest"},
	{"cabletest", testPath},
	{"alarms", "/alarms"},
	{"controller", "/controllers/" + barnRoof},
	{"reports", "/reports"},
	{"report", millReport},
	{"commissioning", millReport + "?from=2026-06-21T11:00&settings=1"},
	{"trouble", "/nowhere"},
}

// hostileWorld has hostile names everywhere, an alarm that stands, a part out of service and a note.
func hostileWorld(t *testing.T) *world {
	t.Helper()
	w := newWorld(t, func(f *fleet.Fleet) { hostileNames(f); twoSites(f); f.Sites[1].Name = hostile[3] })
	w.run(3 * time.Hour)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	h := dashboard.New(w.options())
	for _, name := range hostile {
		act(t, h, "do", "comment", "kind", "link-down", "subject", cutCable, "why", name)
	}
	act(t, h, "do", "shelve", "kind", "yield-behind", "subject", barnRoof, "hours", "1", "why", hostile[0])
	act(t, h, "do", "take-out", "subject", "upper-mill", "hours", "1", "why", hostile[1])
	return w
}

// Names, and what people write, are text wherever they stand.
func TestHostileNamesAreText(t *testing.T) {
	w := hostileWorld(t)
	h := dashboard.New(w.options())
	for _, page := range everyPage {
		r := httptest.NewRequest(http.MethodGet, "http://localhost"+page.path, nil)
		r.Header.Set("Accept", "text/html")
		_, body := ask(t, h, r)
		for _, bad := range []string{"<script>alert", "<img", "{{"} {
			if strings.Contains(strings.ReplaceAll(body, "🌊 {{.}}", ""), bad) {
				t.Errorf("%s holds %s", page.path, bad)
			}
		}
		if page.name != "trouble" && !strings.Contains(body, "&lt;script&gt;alert(1)&lt;/script&gt;") {
			t.Errorf("%s: the site's name is not there as text", page.path)
		}
	}
}

// strays lists texts that are written from right to left by a mark and stand in nothing that keeps it to themselves, or
// have other words behind them.
const strays = `(() => {
	const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
	let seen = 0;
	for (let node = walker.nextNode(); node; node = walker.nextNode()) {
		if (!node.data.includes("\u202e")) continue;
		seen++;
		let at = node.parentElement;
		const free = at.closest("option, title, desc, script, .hidden");
		while (at && at !== document.body && !getComputedStyle(at).unicodeBidi.startsWith("isolate")) at = at.parentElement;
		const alone = node.parentElement.closest("svg") || /\u202ereversed \u2066name\s*$/.test(node.data);
		if (!free && (!at || at === document.body || !alone)) found.push(node.parentElement.outerHTML.slice(0, 120));
	}
	return {seen: seen, found: found.join("\n")};
})()`

// In a real browser nothing of a name runs or turns its neighbours round, and no page is wider than a phone.
func TestHostileNamesInABrowser(t *testing.T) {
	w := hostileWorld(t)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	script := axe(t)
	for _, page := range everyPage {
		for _, look := range []struct {
			width  int64
			scheme string
		}{{390, "light"}, {1440, "dark"}} {
			b.visit(fmt.Sprintf("hostile-%s-%d-%s", page.name, look.width, look.scheme), page.name, origin+page.path, look.width, look.scheme, script)
			r := evaluate[struct {
				Seen  int
				Found string
			}](b, strays)
			if r.Found != "" {
				t.Errorf("%s: a name can turn round what stands beside it:\n%s", page.name, r.Found)
			}
			if r.Seen == 0 && (page.name == "site" || page.name == "report" || page.name == "alarms") {
				t.Errorf("%s: the name that is written from right to left is not there, so nothing was tried", page.name)
			}
		}
	}
}

// twoSites gives the fleet a second site, with ids of its own.
func twoSites(f *fleet.Fleet) {
	second := f.Sites[0]
	second.ID, second.Name = "upper-mill", "Upper Mill"
	ring := second.Rings[0]
	ring.ID, ring.Name = "upper-mill/wheelhouse", "Wheelhouse"
	ring.Controllers = append([]fleet.Controller(nil), ring.Controllers...)
	for i := range ring.Controllers {
		c := &ring.Controllers[i]
		c.ID = fleet.ControllerID("upper-mill/wheelhouse/" + c.ID.Slug())
	}
	second.Rings = []fleet.Ring{ring}
	f.Sites = append(f.Sites, second)
}

// Several sites have an overview, worst first; a single one is shown at once.
func TestOverview(t *testing.T) {
	w := newWorld(t, nil)
	if answer, _ := get(t, dashboard.New(w.options()), "/"); answer.Code != http.StatusFound || answer.Header().Get("Location") != millPage {
		t.Errorf("one site: %d to %q", answer.Code, answer.Header().Get("Location"))
	}
	w = newWorld(t, twoSites)
	w.run(time.Hour)
	h := dashboard.New(w.options())
	if _, body := get(t, h, "/"); !strings.Contains(body, "No site needs anybody today.") {
		t.Error("two calm sites are not called calm")
	}
	if err := w.Pull("upper-mill/wheelhouse/south-field>leat-turbine"); err != nil {
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	_, body := get(t, h, "/")
	upper, lower := strings.Index(body, `"/sites/upper-mill"`), strings.Index(body, `"`+millPage+`"`)
	if upper < 0 || lower < 0 || upper > lower || !strings.Contains(body, "One of two sites needs somebody.") {
		t.Errorf("the site with an alarm is at %d, the calm one at %d", upper, lower)
	}
}

// What an owner reads first.
func TestSentences(t *testing.T) {
	w := newWorld(t, nil)
	h := dashboard.New(w.options())
	if _, body := get(t, h, millPage); !strings.Contains(body, "Nothing has been heard from here yet.") {
		t.Error("a site that has said nothing is not said to be silent")
	}
	w.run(3 * time.Hour)
	if _, body := get(t, h, millPage); !strings.Contains(body, "All five controllers are in float. The bank was full at 11:") || !strings.Contains(body, "Nothing needs you today.") {
		t.Errorf("three hours on: %s", body[strings.Index(body, "<main"):][:600])
	}
}

// A writer that never takes anything, as a connection of a phone that has gone out of reach.
type stuckWriter struct {
	header   http.Header
	deadline time.Time
}

func (w *stuckWriter) Header() http.Header { return w.header }
func (w *stuckWriter) WriteHeader(int)     {}
func (w *stuckWriter) FlushError() error   { return nil }

func (w *stuckWriter) SetWriteDeadline(at time.Time) error { w.deadline = at; return nil }

func (w *stuckWriter) Write([]byte) (int, error) {
	time.Sleep(time.Until(w.deadline)) // the bubble's clock: nothing waits in earnest
	return 0, os.ErrDeadlineExceeded
}

// A viewer that stops reading is dropped after ten seconds, and costs the others nothing.
func TestViewerThatStopsReadingIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := options(&book{})
		h := dashboard.New(o)
		start := time.Now()
		h.ServeHTTP(&stuckWriter{header: http.Header{}}, httptest.NewRequest(http.MethodGet, "http://localhost/live?page=/alarms", nil))
		if took := time.Since(start); took != 10*time.Second {
			t.Errorf("dropped after %v, want 10s", took)
		}
	})
}

// News comes as events that name parts of the page, and only what has changed; the daemon's end ends the stream.
func TestLiveSendsWhatChanged(t *testing.T) {
	w := newWorld(t, nil)
	w.run(10 * time.Minute)
	answer, err := http.Get(serve(t, w.options()) + "/live?page=" + millPage)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if got := answer.Header.Get("Content-Type"); got != "text/event-stream" { // WHATWG HTML, 9.2.5
		t.Errorf("content type %q", got)
	}
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	w.run(10 * time.Minute)
	for lines.Scan() {
		data, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok {
			continue
		}
		var parts map[string]string
		if err := json.Unmarshal([]byte(data), &parts); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(parts["now"], "Barn roof") {
			t.Errorf("the event has no news of the controllers: %.200s", data)
		}
		return
	}
	t.Errorf("no event came: %v", lines.Err())
}
