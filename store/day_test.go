package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ringwarden/store"
	"ringwarden/store/storetest"
)

func TestQuickDay(t *testing.T) {
	if os.Getenv("QUICK") == "" {
		t.Skip("not asked for")
	}
	n := 40
	path := filepath.Join(t.TempDir(), "day.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 6, 21, 0, 0, 0, 0, time.UTC)
	f := storetest.NewFleet(n, start)
	var gen, app, fold time.Duration
	for i := range storetest.DayTicks {
		t0 := time.Now()
		frames := f.Tick()
		t1 := time.Now()
		if err := s.Append(t.Context(), frames); err != nil {
			t.Fatal(err)
		}
		t2 := time.Now()
		if i%4320 == 360 || i == storetest.DayTicks-1 {
			b := start.Add(time.Duration(i/4320) * 12 * time.Hour)
			if i == storetest.DayTicks-1 {
				b = b.Add(12 * time.Hour)
			}
			if err := s.Fold(t.Context(), b); err != nil {
				t.Fatal(err)
			}
		}
		gen += t1.Sub(t0)
		app += t2.Sub(t1)
		fold += time.Since(t2)
	}
	r := float64(n * 20 * storetest.DayTicks)
	fmt.Println("gen", gen, "append", app, "fold", fold, "append M/s", r/app.Seconds()/1e6, "with fold", r/(app+fold).Seconds()/1e6)
	u, err := s.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range u.Buckets {
		fmt.Printf("%s %d %d %.4f\n", b.Name, b.Records, b.Bytes, float64(b.Bytes)/r)
	}
	var by int64
	for _, c := range u.Controllers {
		by += c.Bytes
	}
	fmt.Println("chunk payload", float64(by)/r)
	t3 := time.Now()
	if err := s.Fold(t.Context(), start.Add(26*time.Hour)); err != nil {
		t.Fatal(err)
	}
	fmt.Println("rollups", time.Since(t3))
	u, _ = s.Usage(t.Context())
	for _, b := range u.Buckets {
		fmt.Printf("%s %d %d %.4f\n", b.Name, b.Records, b.Bytes, float64(b.Bytes)/r)
	}
	for k := range 20 {
		best := time.Hour
		for range 20 {
			t4 := time.Now()
			n := 0
			for run, err := range s.Runs(t.Context(), f.Controllers()[7], fmt.Sprintf("point_%02d", k), time.Time{}, time.Time{}) {
				if err != nil {
					t.Fatal(err)
				}
				n += len(run.At)
			}
			best = min(best, time.Since(t4))
			if n != 8640 {
				t.Fatal(n)
			}
		}
		fmt.Print(k, " ", best, "  ")
	}
	fmt.Println()
	st, _ := os.Stat(path)
	fmt.Println("file", st.Size(), float64(st.Size())/r)
}
