package store_test

import (
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"ringwarden/store"
	"ringwarden/store/storetest"
)

// fleetStore returns the path of a store with one day of 20 controllers of 20 points, folded but for its second half.
func fleetStore(b *testing.B) (path string, readings int) {
	b.Helper()
	path = filepath.Join(b.TempDir(), "day.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	f := storetest.NewFleet(20, noon)
	for range storetest.DayTicks / 60 {
		for range 60 {
			frames := f.Tick()
			if err := s.Append(b.Context(), frames); err != nil {
				b.Fatal(err)
			}
			readings += len(frames) * storetest.DayPoints
		}
	}
	if err := s.Fold(b.Context(), noon.Add(12*time.Hour)); err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return path, readings
}

// How long a service desk waits for what it asks of a day of 20 controllers of 20 points.
func BenchmarkKeeping(b *testing.B) {
	path, readings := fleetStore(b)
	perReading := func(b *testing.B) {
		b.ReportMetric(float64(readings)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
	}
	b.Run("verify", func(b *testing.B) {
		for b.Loop() {
			st, err := store.VerifyFile(b.Context(), path, nil)
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(st.Size)
		}
		perReading(b)
	})
	s, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("copy", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			size, err := s.Copy(b.Context(), filepath.Join(b.TempDir(), strconv.Itoa(i)), nil)
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(size)
		}
	})
	b.Run("usage", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Usage(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		perReading(b)
	})
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.Run("compact", func(b *testing.B) {
		for b.Loop() {
			before, after, err := store.Compact(b.Context(), path, nil)
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(before)
			b.ReportMetric(float64(after)/float64(readings), "bytes/reading")
		}
	})
}
