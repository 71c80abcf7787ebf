package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A plant makes ticks of readings that move as a fleet's do: twenty points a controller, of which six walk slowly, four
// fast, four count up, two are codes that change now and then, two are flag words, two hold the day's extremes.
type plant struct {
	r      *rand.Rand
	layout *fleet.Layout
	frames []fleet.Frame
}

const pointsOf = 20

func newPlant(controllers int) *plant {
	points := make([]fleet.Point, pointsOf)
	for k := range points {
		points[k] = fleet.Point{Name: fmt.Sprint("point_", k), Mul: 1, Div: 1, Bits: 32}
		if k < 6 || k >= 18 {
			points[k].Div = 10
		}
	}
	p := &plant{r: rand.New(rand.NewPCG(7, 8)), layout: fleet.NewLayout(points)}
	for i := range controllers {
		f := fleet.Frame{
			Controller: fleet.ControllerID(fmt.Sprintf("site-%02d/ring/unit-%d", i/5, i%5)), Outcome: fleet.Answered,
			At: time.Date(2026, 6, 21, 0, 0, 0, 0, time.UTC), Layout: p.layout, Values: make([]fleet.Value, pointsOf),
		}
		for k := range f.Values {
			start := []uint64{500, 500, 500, 500, 500, 500, 1000, 1000, 1000, 1000, 5e5, 5e5, 5e5, 5e5, 3, 4, 0, 1, 500, 500}[k]
			f.Values[k] = fleet.Value{Raw: start + p.r.Uint64N(start+1)/2, Quality: fleet.Good}
		}
		p.frames = append(p.frames, f)
	}
	return p
}

// tick moves everything on by ten seconds. What it returns is used again by the next one.
func (p *plant) tick() []fleet.Frame {
	for i := range p.frames {
		f := &p.frames[i]
		f.At = f.At.Add(10 * time.Second)
		f.Late, f.Took = time.Duration(p.r.Int64N(20))*time.Millisecond, time.Duration(10+p.r.Int64N(20))*time.Millisecond // as the poller gives them
		for k := range f.Values {
			v := &f.Values[k]
			switch {
			case k < 6 && p.r.IntN(4) == 0:
				v.Raw += p.r.Uint64N(5) - 2
			case k >= 6 && k < 10:
				v.Raw = max(20, v.Raw) + p.r.Uint64N(41) - 20
			case k >= 10 && k < 14:
				v.Raw += p.r.Uint64N(3)
			case k >= 14 && k < 16 && p.r.IntN(2000) == 0:
				v.Raw = p.r.Uint64N(7)
			case k >= 16 && k < 18 && p.r.IntN(8000) == 0:
				v.Raw ^= 1 << p.r.IntN(16)
			case k >= 18:
				v.Raw = max(v.Raw, f.Values[k-18].Raw)
			}
			v.Number = f.Layout.Points[k].Number(v.Raw)
		}
	}
	return p.frames
}

func bar(name, format string, value float64, unit, want string) {
	fmt.Printf("bar store-%s = "+format+" %s (want %s)\n", name, value, unit, want)
}

// written returns how many bytes bbolt has asked the system to write so far: pages of data, the list of free pages, and
// one meta page a commit.
func (s *Store) written() int64 {
	st := s.db.Stats().TxStats
	return st.GetPageAlloc() + int64(s.counts.commits.Load())*pageSize
}

// deviceWritten returns what the kernel counts as this process's writing to disks, 0 where it does not count.
func deviceWritten() (n int64) {
	b, _ := os.ReadFile("/proc/self/io")
	_, rest, _ := strings.Cut(string(b), "\nwrite_bytes: ")
	_, _ = fmt.Sscan(rest, &n)
	return n
}

func openBench(b *testing.B) *Store {
	b.Helper()
	s, err := Open(filepath.Join(b.TempDir(), "ringwarden.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

// Every tick in a commit of its own: the most that a server can be asked for. The bytes in the file are those of pages
// in use, so the room that the file has taken ahead is not in them.
func BenchmarkAppend(b *testing.B) {
	for _, controllers := range []int{10, 200} {
		b.Run(fmt.Sprintf("controllers=%d/points=%d", controllers, pointsOf), func(b *testing.B) {
			s, p := openBench(b), newPlant(controllers)
			for range 50 { // so that the tree has its height
				if err := s.Append(b.Context(), p.tick()); err != nil {
					b.Fatal(err)
				}
			}
			before, device, ticks := s.written(), deviceWritten(), 0
			b.ReportAllocs()
			for b.Loop() {
				if err := s.Append(b.Context(), p.tick()); err != nil {
					b.Fatal(err)
				}
				ticks++
			}
			perTick := float64(s.written()-before) / float64(ticks) / 1024
			perReading := bytesPerReading(b, s)
			readings := float64(ticks*controllers*pointsOf) / b.Elapsed().Seconds()
			b.ReportMetric(perTick, "KiB/commit")
			b.ReportMetric(float64(deviceWritten()-device)/float64(ticks)/1024, "procKiB/commit")
			b.ReportMetric(perReading, "B/reading")
			b.ReportMetric(readings, "readings/s")
			if controllers == 200 && ticks > 100 {
				bar("append", "%.2f", b.Elapsed().Seconds()/float64(ticks)*1e3, "ms/commit of 200 controllers x 20 points", "<= 50")
				// Ten times what 2,000 controllers x 40 points every 2 s give.
				bar("append-rate", "%.2f", readings/1e6, "million readings/s, each tick flushed to disk", ">= 0.4")
				bar("tick-written", "%.1f", perTick, "KiB for 200 controllers x 20 points, as bbolt counts its pages", "<= 48")
				bar("journal-bytes-per-reading", "%.2f", perReading, "B of pages in use, nothing folded", "<= 4.2")
			}
		})
	}
}

// bytesPerReading returns what the pages in use hold for each reading.
func bytesPerReading(b *testing.B, s *Store) float64 {
	b.Helper()
	used := 0
	err := s.view(func(tx *bbolt.Tx) error {
		st := tx.Bucket(bucketJournal).Stats()
		used = st.LeafAlloc + st.BranchAlloc
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return float64(used) / float64(s.counts.readings.Load())
}

// A small site at the default commit interval: what its card must take in a day.
func BenchmarkDayOfWriting(b *testing.B) {
	s, p := openBench(b), newPlant(10)
	var frames []fleet.Frame
	commits := 0
	before := s.written()
	for b.Loop() {
		frames = frames[:0]
		for range 6 {
			for _, f := range p.tick() {
				frames = append(frames, *f.Clone())
			}
		}
		if err := s.Append(b.Context(), frames); err != nil {
			b.Fatal(err)
		}
		commits++
	}
	perDay := float64(s.written()-before) / float64(commits) * 1440 / 1e6
	b.ReportMetric(perDay, "MB/day")
	if commits > 100 {
		bar("day-written", "%.1f", perDay, "MB a day for 10 controllers x 20 points every 10 s, a commit a minute", "<= 60")
	}
}

// Reading back from the journal: all, and one controller out of many, which the journal alone does not hold together.
func BenchmarkRead(b *testing.B) {
	s, p := openBench(b), newPlant(200)
	const ticks = 360 // an hour
	for range ticks {
		if err := s.Append(b.Context(), p.tick()); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("all", func(b *testing.B) {
		n := 0
		for b.Loop() {
			for f, err := range s.Frames(context.Background(), Query{}) {
				if err != nil {
					b.Fatal(err)
				}
				n += len(f.Values)
			}
		}
		rate := float64(n) / b.Elapsed().Seconds()
		b.ReportMetric(rate, "readings/s")
		// A year of 5 controllers x 20 points every 10 s, in a minute.
		bar("read-rate", "%.1f", rate/1e6, "million readings/s, all of an hour", ">= 5")
	})
	b.Run("one-point-of-200-controllers", func(b *testing.B) {
		n := 0
		for b.Loop() {
			for _, err := range s.Samples(context.Background(), p.frames[77].Controller, "point_3", time.Time{}, time.Time{}) {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
		}
		if b.N > 0 && n != b.N*ticks {
			b.Fatalf("%d samples in %d runs, want %d each", n, b.N, ticks)
		}
	})
}

// Opening looks at every page of a file of this size, and finds the newest frames.
func BenchmarkOpen(b *testing.B) {
	path := filepath.Join(b.TempDir(), "ringwarden.db")
	s, err := Open(path, Options{})
	if err != nil {
		b.Fatal(err)
	}
	p := newPlant(200)
	for range 360 {
		if err := s.Append(b.Context(), p.tick()); err != nil {
			b.Fatal(err)
		}
	}
	s.Close()
	for b.Loop() {
		s, err := Open(path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if f, err := s.Latest(b.Context(), p.frames[0].Controller); len(f) != 1 || err != nil {
			b.Fatalf("Latest = %v, %v", f, err)
		}
		s.Close()
	}
	bar("open", "%.0f", b.Elapsed().Seconds()/float64(b.N)*1e3, "ms for an hour of 200 controllers, all pages checked", "<= 200")
}
