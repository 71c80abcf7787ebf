package dashboard_test

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest/year"
)

// benchPages are what people open, on a store with a year of one site and on one with a year of 300. Whoever adds a page
// adds a line.
var benchPages = []struct {
	name, path string // in path, SITE, RING and CONTROLLER stand for ids and MONTH for a whole month
	within     time.Duration
	of         string // which stores it is measured on; empty: all
	awaits     string // what is made in the background and must be there before the page is measured; empty: nothing
	script     string // of its own
	first      bool   // each look is the first one: nothing is left of what was read for those before
}{
	{name: "overview", path: "/", of: "company"},
	{name: "site", path: "/sites/SITE"},
	{name: "controller", path: "/controllers/CONTROLLER"},
	{name: "controller-hours", path: "/controllers/CONTROLLER?point=bank_voltage&past=3h"},
	{name: "controller-month", path: "/controllers/CONTROLLER?past=31d"},
	{name: "controller-year", path: "/controllers/CONTROLLER?past=366d", within: 100 * time.Millisecond},
	{name: "cables", path: "/cables/RING", awaits: "dr-heat-link"},
	{name: "cabletest", path: "/cabletest/RING", script: "/static/cabletest.js"},
	{name: "alarms", path: "/alarms"},
	{name: "report", path: "/reports/SITE"},
	{name: "report-first", path: "/reports/SITE", first: true},
	{name: "report-month", path: "/reports/SITE?month=MONTH"},
	{name: "report-month-first", path: "/reports/SITE?month=MONTH", first: true},
}

// A desk is what stands behind the pages of a kept year: the year on disk, and the day so far as the daemon has it in
// memory.
type desk struct {
	kept     *year.Kept
	live     *dashboard.Live
	journal  *store.Store
	studies  *dashboard.Studies
	standing []fleet.Alarm
}

func newDesk(b *testing.B, kept, site *year.Kept) *desk {
	b.Helper()
	s, err := store.Open(kept.Path, store.Options{ReadOnly: true, Zone: kept.Zone})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	d := &desk{kept: kept, live: dashboard.NewLive(kept.Fleet), journal: s}
	pattern, err := store.Open(site.Path, store.Options{ReadOnly: true, Zone: site.Zone})
	if err != nil {
		b.Fatal(err)
	}
	defer pattern.Close()
	var wide []fleet.Frame
	for f, err := range pattern.Frames(b.Context(), store.Query{From: site.End.Truncate(24 * time.Hour).Add(-time.Hour)}) { // since midnight there
		if err != nil {
			b.Fatal(err)
		}
		if kept == site {
			d.live.Put(&f)
			continue
		}
		wide = kept.Spread(wide[:0], &f)
		for i := range wide {
			d.live.Put(&wide[i])
		}
	}
	d.raise()
	d.study(b)
	return d
}

// study lets the history of cables be weighed in the background, as the daemon does.
func (d *desk) study(b *testing.B) {
	d.studies = dashboard.NewStudies(d.journal, d.live, func() time.Time { return d.kept.End })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { d.studies.Run(ctx); close(done) }()
	b.Cleanup(func() { cancel(); <-done })
}

// await asks for a page until it holds what is made in the background, and says how long that took.
func await(b *testing.B, h http.Handler, path, want string) {
	b.Helper()
	began, slowest := time.Now(), time.Duration(0)
	for whole := false; !whole; {
		asked := time.Now()
		body := plainBody(b, h, path)
		slowest = max(slowest, time.Since(asked))
		whole = strings.Contains(body, want)
		if !whole && time.Since(began) > 5*time.Minute {
			b.Fatalf("%s never holds %q", path, want)
		}
		<-time.After(10 * time.Millisecond)
	}
	fmt.Fprintf(os.Stderr, "%s is whole after %.1f s in the background; the slowest answer meanwhile took %.1f ms\n",
		path, time.Since(began).Seconds(), slowest.Seconds()*1e3)
}

func plainBody(b *testing.B, h http.Handler, path string) string {
	b.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://localhost"+path, nil))
	return w.Body.String()
}

// raise lets an alarm stand at every twentieth site.
func (d *desk) raise() {
	for i := 0; i < len(d.kept.Fleet.Sites); i += 20 {
		since := d.kept.End.Add(-time.Duration(i) * time.Minute)
		d.standing = append(d.standing, fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: "link-noisy", Subject: fleet.Subject(d.kept.Fleet.Sites[i].Rings[0].Links()[0].ID)},
			State:    fleet.Unacknowledged, Priority: fleet.Medium, Since: since, Raised: since,
			Text: "Damaged frames arrive over this cable.", Advice: "Look at both plugs of the cable.",
		})
	}
}

func (d *desk) Standing(context.Context) ([]fleet.Alarm, error) { return slices.Clone(d.standing), nil }

func (d *desk) Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return d.journal.Changes(ctx, from, to)
}

func (d *desk) options() dashboard.Options {
	return dashboard.Options{
		Alarms: d, Live: d.live, Journal: d.journal, Now: func() time.Time { return d.kept.End },
		Act:     func(context.Context, dashboard.Action) error { return nil },
		Studies: d.studies, CableTests: dashboard.NewCableTests(nil, 0),
	}
}

// path fills in the ids of a site in the middle of the fleet.
func (d *desk) path(pattern string) string {
	site := &d.kept.Fleet.Sites[len(d.kept.Fleet.Sites)/2]
	before := time.Date(d.kept.End.Year(), d.kept.End.Month(), 1, 12, 0, 0, 0, site.Zone).AddDate(0, -1, 0)
	return strings.NewReplacer("MONTH", before.Format("2006-01"), "SITE", string(site.ID), "RING", string(site.Rings[0].ID), "CONTROLLER", string(site.Rings[0].Controllers[0].ID)).Replace(pattern)
}

// BenchmarkPage measures what each page takes in the daemon (the 95th percentile of a hundred, in the best round of several, since
// the machine may be busy with something else), and what it, its style sheet and its script are compressed.
func BenchmarkPage(b *testing.B) {
	site := year.Site(b)
	for _, on := range []struct {
		name string
		kept *year.Kept
	}{{"site", site}, {"company", year.Company(b)}} {
		d := newDesk(b, on.kept, site)
		h := dashboard.New(d.options())
		assets := transfer(b, h, "/static/style.css") + transfer(b, h, "/static/page.js")
		for _, page := range benchPages {
			if page.of != "" && page.of != on.name {
				continue
			}
			b.Run("page="+page.name+"/year="+on.name, func(b *testing.B) {
				b.ReportAllocs()
				if page.awaits != "" {
					await(b, h, d.path(page.path), page.awaits)
				}
				assets, size := assets, 0
				if page.script != "" {
					assets += transfer(b, h, page.script)
				}
				forget := func() {
					if page.first {
						h = dashboard.New(d.options())
					}
				}
				slow := slowest(b, forget, func() { size = transfer(b, h, d.path(page.path)) })
				within := cmp.Or(page.within, 50*time.Millisecond)
				b.ReportMetric(slow.Seconds()*1e3, "ms/p95")
				b.ReportMetric(float64(size+assets)/1024, "KiB/page")
				fmt.Fprintf(os.Stderr, "bar page=%s year=%s: p95 %.2f ms of %.0f, %.1f KiB of 150: %s\n", page.name, on.name,
					slow.Seconds()*1e3, within.Seconds()*1e3, float64(size+assets)/1024, held(slow < within && size+assets < 150<<10))
			})
		}
	}
}

// slowest returns the 95th percentile of what f takes, in the best of all rounds of a hundred; what is done before each is
// not counted.
func slowest(b *testing.B, before, f func()) time.Duration {
	best := time.Duration(0)
	for b.Loop() {
		var took []time.Duration
		for range 100 {
			before()
			start := time.Now()
			f()
			took = append(took, time.Since(start))
		}
		slices.Sort(took)
		if slow := took[95]; best == 0 || slow < best {
			best = slow
		}
	}
	return best
}

func held(ok bool) string {
	if ok {
		return "held"
	}
	return "MISSED"
}

func transfer(b *testing.B, h http.Handler, path string) int {
	r := httptest.NewRequest(http.MethodGet, "http://localhost"+path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		b.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	return w.Body.Len()
}
