package store_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
	"unsafe"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest/year"
)

// BenchmarkYear opens the year of a site of five controllers, and reads from it what pages and reports show. Each bar is
// of the best of all runs: the machine may be busy with something else.
func BenchmarkYear(b *testing.B) {
	site := year.Site(b)
	clean := site.Copy(b)
	for name, path := range map[string]string{"open": clean, "open-after-a-power-cut": cutOff(b, clean)} {
		b.Run(name, func(b *testing.B) {
			best := fastest(b, func() {
				s, err := store.Open(path, store.Options{Zone: site.Zone, ReadOnly: name != "open"}) // so that the next run finds it as it was
				if err != nil {
					b.Fatal(err)
				}
				if err := s.Close(); err != nil {
					b.Fatal(err)
				}
			})
			yearBar(name, best, 200*time.Millisecond)
		})
	}
	s, err := store.Open(site.Path, store.Options{Zone: site.Zone, ReadOnly: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	id := site.Fleet.Sites[0].Rings[0].Controllers[0].ID
	for _, span := range []struct {
		name string
		time time.Duration
		step store.Resolution
		want int
		bar  time.Duration
	}{
		{"year", 365 * 24 * time.Hour, store.Day, 365, 20 * time.Millisecond},
		{"year-of-hours", 365 * 24 * time.Hour, store.Hour, 365 * 24, 50 * time.Millisecond},
		{"month", 31 * 24 * time.Hour, store.Hour, 31 * 24, 20 * time.Millisecond},
		{"day", 24 * time.Hour, store.FiveMinutes, 288, 20 * time.Millisecond},
	} {
		b.Run("curve="+span.name, func(b *testing.B) {
			best := fastest(b, func() { readCurve(b, s, id, site.End, span.time, span.step, span.want) })
			yearBar("curve-"+span.name, best, span.bar)
		})
	}
	touched := curvePages(b, site.Path, id)
	fmt.Printf("bar store-year-curve-touched = %d KiB of pages that hold the year's days and hours of one point (want <= 300)\n", touched*4)
}

// curvePages counts the pages that hold what is kept of a point in the bucket of hours and days, by where bbolt's map of the
// file shows its records. Besides these a curve touches some branches.
func curvePages(b *testing.B, path string, id fleet.ControllerID) int {
	b.Helper()
	db, err := bbolt.Open(path, 0, &bbolt.Options{ReadOnly: true, Timeout: time.Second})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	pages := make(map[uintptr]struct{})
	const point = "power_out"
	prefix := append(append([]byte{byte(len(id))}, id...), append([]byte{byte(len(point))}, point...)...)
	err = db.View(func(tx *bbolt.Tx) error {
		c := tx.Bucket([]byte("coarse")).Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			first, last := uintptr(unsafe.Pointer(&k[0])), uintptr(unsafe.Pointer(&v[len(v)-1]))
			for page := first / 4096; page <= last/4096; page++ {
				pages[page] = struct{}{}
			}
		}
		return nil
	})
	if err != nil || len(pages) == 0 {
		b.Fatalf("%d pages, %v", len(pages), err)
	}
	return len(pages)
}

// cutOff copies a store as it is on the disk while a daemon writes to it.
func cutOff(b *testing.B, path string) string {
	b.Helper()
	s, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	at := year.End.Add(time.Hour)
	if err := s.Append(b.Context(), []fleet.Frame{{Controller: "fernhollow-mill/wheelhouse/barn-roof", At: at, Outcome: fleet.Silent}}); err != nil {
		b.Fatal(err)
	}
	body, err := os.ReadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	cut := filepath.Join(b.TempDir(), "cut.db")
	if err := os.WriteFile(cut, body, 0o600); err != nil {
		b.Fatal(err)
	}
	return cut
}

func readCurve(b *testing.B, s *store.Store, id fleet.ControllerID, end time.Time, span time.Duration, step store.Resolution, want int) {
	b.Helper()
	n := 0
	for _, err := range s.Rollups(b.Context(), id, "power_out", step, end.Add(-span), end) {
		if err != nil {
			b.Fatal(err)
		}
		n++
	}
	if n < want-2 || n > want+2 {
		b.Fatalf("%d rollups, want %d", n, want)
	}
}

// fastest runs f as often as the benchmark wants, and returns the shortest time that it took.
func fastest(b *testing.B, f func()) time.Duration {
	var took []time.Duration
	b.ReportAllocs()
	for b.Loop() {
		start := time.Now()
		f()
		took = append(took, time.Since(start))
	}
	best := slices.Min(took)
	b.ReportMetric(best.Seconds()*1e3, "ms-best")
	return best
}

func yearBar(name string, took, want time.Duration) {
	fmt.Printf("bar store-year-%s = %.2f ms (want <= %.0f)\n", name, took.Seconds()*1e3, want.Seconds()*1e3)
}
