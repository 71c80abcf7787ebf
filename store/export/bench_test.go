package export_test

import (
	"io"
	"testing"
	"time"

	"ringwarden/store"
	"ringwarden/store/export"
	"ringwarden/store/storetest"
)

// BenchmarkExport writes a day of 5 controllers of 20 points, folded.
func BenchmarkExport(b *testing.B) {
	s := storetest.Open(b)
	f := storetest.NewFleet(5, noon.Add(-12*time.Hour))
	for range storetest.DayTicks {
		if err := s.Append(b.Context(), f.Tick()); err != nil {
			b.Fatal(err)
		}
	}
	if err := s.Fold(b.Context(), noon.Add(12*time.Hour)); err != nil {
		b.Fatal(err)
	}
	five := store.FiveMinutes
	for name, q := range map[string]export.Query{
		"format=csv/rows=raw":     {Format: export.CSV},
		"format=parquet/rows=raw": {Format: export.Parquet},
		"format=csv/rows=5m":      {Format: export.CSV, Rollups: &five, Controllers: f.Controllers()},
		"format=parquet/rows=5m":  {Format: export.Parquet, Rollups: &five, Controllers: f.Controllers()},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			var rows int64
			var out counter
			for b.Loop() {
				out = 0
				var err error
				if rows, err = export.Write(b.Context(), &out, s, q, nil); err != nil || rows == 0 {
					b.Fatal(rows, err)
				}
			}
			b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(float64(out)/float64(rows), "bytes/row")
		})
	}
}

type counter int64

func (c *counter) Write(p []byte) (int, error) { *c += counter(len(p)); return len(p), nil }

var _ io.Writer = (*counter)(nil)
