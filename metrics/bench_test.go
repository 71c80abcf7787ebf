package metrics

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"ringwarden/fleet"
)

// many returns a fleet of 2,000 controllers at 50 sites, in rings of eight, and a layout of 20 points for each: the
// size that one daemon is meant for.
func many() (*fleet.Fleet, *fleet.Layout) {
	f := &fleet.Fleet{Periods: mill().Periods}
	for s := range 50 {
		site := fleet.Site{ID: fleet.SiteID(fmt.Sprintf("site-%02d", s)), Zone: time.UTC}
		for r := range 5 {
			ring := fleet.Ring{ID: fleet.RingID(fmt.Sprintf("%s/ring-%d", site.ID, r))}
			for c := range 8 {
				id := fleet.ControllerID(fmt.Sprintf("%s/unit-%d", ring.ID, c))
				ring.Controllers = append(ring.Controllers, fleet.Controller{ID: id, Name: string(id), Source: fleet.PV})
			}
			site.Rings = append(site.Rings, ring)
		}
		f.Sites = append(f.Sites, site)
	}
	points := []fleet.Point{number("charge_stage", fleet.QuantityStage), {
		Name: "fault_word", Quantity: fleet.Faults,
		Flags: []fleet.Name{{Code: 0, Word: fleet.GroundFault}, {Code: 1, Word: "over-temperature"}, {Code: 2, Word: "reversed"}},
	}}
	for _, q := range fleet.AllQuantities() {
		if q.Shape() == fleet.ShapeNumber && len(points) < 20 {
			points = append(points, number(q.String(), q))
		}
	}
	return f, fleet.NewLayout(points)
}

func frameOf(id fleet.ControllerID, l *fleet.Layout) *fleet.Frame {
	f := &fleet.Frame{
		Controller: id, Group: fleet.Fast, At: noon, Took: 40 * time.Millisecond, Outcome: fleet.Answered,
		Layout: l, Values: make([]fleet.Value, len(l.Points)),
	}
	for i := range f.Values {
		f.Values[i] = fleet.Value{Number: 10 + float64(i)/10, Raw: uint64(100 + i), Quality: fleet.Good}
	}
	f.Values[0] = fleet.Value{Number: float64(fleet.Float), Raw: 5, Quality: fleet.Good}
	return f
}

func framesOf(f *fleet.Fleet, l *fleet.Layout) []*fleet.Frame {
	var frames []*fleet.Frame
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		frames = append(frames, frameOf(c.ID, l))
		return true
	})
	return frames
}

// sink counts a page without keeping it.
type sink struct {
	header http.Header
	bytes  int
}

func (s *sink) Header() http.Header         { return s.header }
func (s *sink) WriteHeader(int)             {}
func (s *sink) Write(b []byte) (int, error) { s.bytes += len(b); return len(b), nil }

// An exposition should take at most about a second (OpenMetrics 1.0).
func BenchmarkScrape(b *testing.B) {
	f, layout := many()
	m, _ := quiet(f)
	for _, frame := range framesOf(f, layout) {
		m.Put(frame)
	}
	for format, accept := range map[string]string{
		"classic": "text/plain", "openmetrics": "application/openmetrics-text; version=1.0.0",
	} {
		b.Run("controllers=2000/points=20/format="+format, func(b *testing.B) {
			r := httptest.NewRequestWithContext(b.Context(), http.MethodGet, "/metrics", nil)
			r.Header.Set("Accept", accept)
			var page sink
			b.ReportAllocs()
			for b.Loop() {
				page = sink{header: http.Header{}}
				m.Handler().ServeHTTP(&page, r)
			}
			seconds := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(float64(page.bytes), "bytes/page")
			fmt.Printf("\nbar metrics-scrape-%s = %.3f s (want <= 1)\n", format, seconds)
			fmt.Printf("bar metrics-page-%s = %.1f MB (want <= 16)\n", format, float64(page.bytes)/1e6)
		})
	}
}

// 2,000 controllers polled every 2 s are 1,000 frames a second; taking them must not be felt.
func BenchmarkPut(b *testing.B) {
	f, layout := many()
	m, _ := quiet(f)
	frames := framesOf(f, layout)
	for _, frame := range frames {
		m.Put(frame)
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		m.Put(frames[i%len(frames)])
		i++
	}
	fmt.Printf("\nbar metrics-put-rate = %.0f frames/s (want >= 100000)\n", float64(b.N)/b.Elapsed().Seconds())
}
