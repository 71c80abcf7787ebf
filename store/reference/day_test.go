package reference

import (
	"os"
	"testing"
	"time"

	"ringwarden/store"
	"ringwarden/store/storetest"
)

// The day of a fleet of 200 controllers with 20 points each, every ten seconds, in both engines.
func BenchmarkDay(b *testing.B) {
	const controllers = 200
	const readings = controllers * storetest.DayPoints * storetest.DayTicks
	for range b.N {
		s, path := openStore(b)
		f := storetest.NewFleet(controllers, start)
		var appending, folding time.Duration
		var device int64
		for i := range storetest.DayTicks {
			frames := f.Tick()
			begin, before := time.Now(), deviceWritten()
			if err := s.Append(b.Context(), frames); err != nil {
				b.Fatal(err)
			}
			appending += time.Since(begin)
			device += deviceWritten() - before
			if half := storetest.DayTicks / 2; i == half+half/24 { // as the daemon does: half an hour after the window
				folding += fold(b, s, start.Add(12*time.Hour))
			}
		}
		u, err := s.Usage(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		tail := 0.0
		for _, bucket := range u.Buckets {
			if bucket.Name == "journal" {
				tail = float64(bucket.Bytes) / readings * 2 // half of the day is in it
			}
		}
		folding += fold(b, s, start.Add(24*time.Hour))
		journalRate := readings / appending.Seconds() / 1e6
		foldedRate := readings / (appending + folding).Seconds() / 1e6

		p := openPeer(b, f)
		f = storetest.NewFleet(controllers, start)
		var theirs time.Duration
		for range storetest.DayTicks {
			frames := f.Tick()
			begin := time.Now()
			p.append(b, frames)
			theirs += time.Since(begin)
		}
		p.settle(b)
		theirRate := readings / theirs.Seconds() / 1e6
		theirBytes := float64(p.blocks()) / readings

		bar("reference-rate", "%.2f", theirRate, "million readings/s in the reference, whose log is not flushed at each tick", "a figure")
		bar("day-rate", "%.2f", journalRate/theirRate, "of the reference's rate, each tick flushed, journal alone", ">= 1")
		bar("day-rate-folded", "%.2f", foldedRate/theirRate, "of the reference's rate, each tick flushed, folds included", ">= 0.33")
		bar("day-rate-absolute", "%.2f", journalRate, "million readings/s, each tick flushed, journal alone", "a figure")
		bar("day-tail", "%.2f", tail, "B a reading of the journal, which is not folded yet", "a figure")
		bar("day-device", "%.1f", float64(device)/storetest.DayTicks/1024, "KiB a tick of 200 controllers x 20 points, as the kernel counts for this process", "<= 48")
		dayBytes(b, s, path, readings, theirBytes)
		dayReading(b, s, p, f)
	}
}

func fold(b *testing.B, s *store.Store, before time.Time) time.Duration {
	b.Helper()
	begin := time.Now()
	if err := s.Fold(b.Context(), before); err != nil {
		b.Fatal(err)
	}
	return time.Since(begin)
}

func dayBytes(b *testing.B, s *store.Store, path string, readings, theirs float64) {
	b.Helper()
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	bar("day-file-uncompacted", "%.3f", float64(info.Size())/readings, "B a reading, with the room that the journal took and will take again", "a figure")
	rolling := fold(b, s, start.Add(26*time.Hour))
	bar("day-rollups", "%.2f", rolling.Seconds(), "s for the rollups of the day", "a figure")
	whole := compacted(b, s)
	bar("day-bytes", "%.3f", whole, "B a reading, the whole file, folded, its hours and days rolled up, compacted; five minutes are made when raw frames go", "<= 0.25")
	bar("reference-bytes", "%.3f", theirs, "B a reading in the reference's blocks, without its log", "a figure")
	bar("day-bytes-of-reference", "%.3f", whole/theirs, "of the reference's bytes", "<= 0.2")
	dayDropped(b, s)
}

// dayDropped drops the raw frames of a copy, so that the five minutes take their place.
func dayDropped(b *testing.B, s *store.Store) {
	b.Helper()
	path := b.TempDir() + "/dropped.db"
	if _, err := s.Copy(b.Context(), path, nil); err != nil {
		b.Fatal(err)
	}
	d, err := store.Open(path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer d.Close()
	if err := d.Append(b.Context(), storetest.NewFleet(1, start.AddDate(0, 0, 90)).Tick()); err != nil {
		b.Fatal(err)
	}
	begin := time.Now()
	if _, err := d.DropBefore(b.Context(), store.KindRaw, start.AddDate(0, 0, 2)); err != nil {
		b.Fatal(err)
	}
	bar("day-drop", "%.2f", time.Since(begin).Seconds(), "s to drop the day's raw frames and put down their five minutes", "a figure")
	bar("day-bytes-dropped", "%.3f", compacted(b, d), "B a reading, the whole file with five minutes, hours and days, the raw frames dropped, compacted", "a figure")
}

// compacted returns the size of the whole file after it was compacted, in bytes a reading of the day.
func compacted(b *testing.B, s *store.Store) float64 {
	b.Helper()
	path := b.TempDir() + "/compact.db"
	if _, err := s.Copy(b.Context(), path, nil); err != nil {
		b.Fatal(err)
	}
	_, after, err := store.Compact(b.Context(), path, nil)
	if err != nil {
		b.Fatal(err)
	}
	return float64(after) / (200 * storetest.DayPoints * storetest.DayTicks)
}

// dayReading reads one point over the day: all twenty of one controller, and the middle of them.
func dayReading(b *testing.B, s *store.Store, p *peer, f *storetest.Fleet) {
	b.Helper()
	end := start.Add(24 * time.Hour)
	id := f.Controllers()[77]
	var ours, theirs time.Duration
	worst := 1e9
	for k := range f.Layout.Points {
		name := f.Layout.Points[k].Name
		n, sum := read(b, s, id, name, start, end)
		if m, want := p.read(b, id, name, start, end); n != storetest.DayTicks || m != n || sum != want {
			b.Fatalf("%s: %d samples with sum %v here, %d with %v there", name, n, sum, m, want)
		}
		o := best(30, func() { read(b, s, id, name, start, end) })
		t := best(30, func() { p.read(b, id, name, start, end) })
		ours, theirs = ours+o, theirs+t
		worst = min(worst, t.Seconds()/o.Seconds())
	}
	points := float64(len(f.Layout.Points))
	bar("read-day", "%.1f", theirs.Seconds()/ours.Seconds(), "times as fast as the reference, one point of a day, mean of 20", ">= 3")
	bar("read-day-worst", "%.1f", worst, "times as fast as the reference, the worst of 20 points", "a figure")
	bar("read-day-time", "%.3f", ours.Seconds()/points*1e3, "ms for one point of a day", "a figure")
	bar("reference-read-day-time", "%.3f", theirs.Seconds()/points*1e3, "ms in the reference", "a figure")
}
