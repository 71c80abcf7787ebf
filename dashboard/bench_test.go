package dashboard_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"testing"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

// manySites copies the demo's site.
func manySites(n int) func(*fleet.Fleet) {
	return func(f *fleet.Fleet) {
		twoSites(f)
		pattern := f.Sites[1]
		f.Sites = f.Sites[:1]
		for s := 1; s < n; s++ {
			site := pattern
			site.ID, site.Name = fleet.SiteID(fmt.Sprintf("site-%d", s)), fmt.Sprintf("Site %d", s)
			ring := pattern.Rings[0]
			ring.ID = fleet.RingID(string(site.ID) + "/wheelhouse")
			ring.Controllers = slices.Clone(ring.Controllers)
			for i := range ring.Controllers {
				c := &ring.Controllers[i]
				c.ID = fleet.ControllerID(string(ring.ID) + "/" + c.ID.Slug())
			}
			site.Rings = []fleet.Ring{ring}
			f.Sites = append(f.Sites, site)
		}
	}
}

// BenchmarkPage measures each page of a day of readings: the slowest of twenty in the daemon, and what it, its style
// sheet and its script take compressed.
func BenchmarkPage(b *testing.B) {
	for _, sites := range []int{1, 300} {
		w := newWorld(b, manySites(sites))
		span := 3 * time.Hour
		if sites > 1 {
			span = 10 * time.Minute
		}
		w.run(span)
		h := dashboard.New(w.options())
		assets := transfer(b, h, "/static/style.css") + transfer(b, h, "/static/page.js")
		pages := map[string]string{"site": millPage, "alarms": "/alarms", "controller": "/controllers/" + barnRoof}
		if sites > 1 {
			pages["overview"] = "/"
		}
		for name, path := range pages {
			b.Run(fmt.Sprintf("page=%s/sites=%d", name, sites), func(b *testing.B) {
				b.ReportAllocs()
				var took []time.Duration
				size := 0
				for b.Loop() {
					start := time.Now()
					size = transfer(b, h, path)
					took = append(took, time.Since(start))
				}
				slices.Sort(took)
				slow := took[len(took)*95/100]
				b.ReportMetric(float64(slow.Microseconds())/1000, "ms/p95")
				b.ReportMetric(float64(size+assets)/1024, "KiB/page")
				fmt.Fprintf(os.Stderr, "bar page=%s sites=%d: p95 %.2f ms of 50, %.1f KiB of 150: %s\n", name, sites,
					float64(slow.Microseconds())/1000, float64(size+assets)/1024, held(slow < 50*time.Millisecond && size+assets < 150<<10))
			})
		}
	}
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
