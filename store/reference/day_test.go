package reference

import (
	"os"
	"runtime"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A ledger is the time that an engine was seen to take for the day.
type ledger struct{ appending, folding time.Duration }

// turns is in how many parts a day is told to one engine and the other.
const turns = 48

// The day of a fleet of 200 controllers with 20 points each, every ten seconds, in both engines: half an hour in one, then the
// same in the other, so that what else the machine does weighs on both.
func BenchmarkDay(b *testing.B) {
	const controllers = 200
	const readings = controllers * storetest.DayPoints * storetest.DayTicks
	for range b.N {
		s, path := openStore(b)
		f, same := storetest.NewFleet(controllers, start), storetest.NewFleet(controllers, start)
		p := openPeer(b, same)
		var ours, theirs ledger
		for turn := range turns {
			runtime.GC() // each pays for its own litter
			ours.turn(f, func(frames []fleet.Frame) {
				if err := s.Append(b.Context(), frames); err != nil {
					b.Fatal(err)
				}
			})
			if turn == turns/2 { // as the daemon does: half an hour after the window
				ours.folding += fold(b, s, start.Add(12*time.Hour))
			}
			runtime.GC()
			theirs.turn(same, func(frames []fleet.Frame) { p.append(b, frames) })
		}
		tail := journalBytes(b, s) / readings * 2 // half of the day is in it
		ours.folding += fold(b, s, start.Add(24*time.Hour))
		p.settle(b)
		ours.show(&theirs, readings)
		bar("day-tail", "%.2f", tail, "B a reading of the journal, which is not folded yet", "a figure")
		dayBytes(b, s, path, readings, float64(p.blocks())/readings)
		dayReading(b, s, p, f)
	}
}

// turn has an engine take some of the day's ticks.
func (l *ledger) turn(f *storetest.Fleet, take func([]fleet.Frame)) {
	for range storetest.DayTicks / turns {
		frames := f.Tick()
		begin := time.Now()
		take(frames)
		l.appending += time.Since(begin)
	}
}

func (l *ledger) show(theirs *ledger, readings float64) {
	rate := func(took time.Duration) float64 { return readings / took.Seconds() / 1e6 }
	their := rate(theirs.appending)
	bar("reference-rate", "%.2f", their, "million readings/s in the reference, whose log is not flushed at each tick", "a figure")
	bar("day-rate", "%.2f", rate(l.appending)/their, "of the reference's rate, each tick flushed, journal alone", ">= 1")
	bar("day-rate-folded", "%.2f", rate(l.appending+l.folding)/their, "of the reference's rate, each tick flushed, folds included", ">= 0.33")
	bar("day-rate-absolute", "%.2f", rate(l.appending), "million readings/s, each tick flushed, journal alone", "a figure")
}

// What the disk is given for a tick of the same day, by the disk's own count, which holds whatever else is written meanwhile, and by
// the kernel's for this process, which holds too much where the cache keeps pages in larger pieces.
func BenchmarkDayOnDisk(b *testing.B) {
	for range b.N {
		s, path := openStore(b)
		f := storetest.NewFleet(200, start)
		disk := diskOf(b, path)
		var device, process int64
		for turn := range turns {
			before, ours := disk.written(b), deviceWritten()
			for range storetest.DayTicks / turns {
				if err := s.Append(b.Context(), f.Tick()); err != nil {
					b.Fatal(err)
				}
			}
			device, process = device+disk.written(b)-before, process+deviceWritten()-ours
			if turn == turns/2 {
				fold(b, s, start.Add(12*time.Hour))
			}
		}
		bar("day-device", "%.1f", float64(device)/storetest.DayTicks/1024, "KiB a tick of 200 controllers x 20 points, as the disk counts", "<= 48")
		bar("day-device-process", "%.1f", float64(process)/storetest.DayTicks/1024, "KiB a tick, as the kernel counts for this process", "a figure")
	}
}

// journalBytes returns what the journal's pages take.
func journalBytes(b *testing.B, s *store.Store) float64 {
	b.Helper()
	u, err := s.Usage(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	for _, bucket := range u.Buckets {
		if bucket.Name == "journal" {
			return float64(bucket.Bytes)
		}
	}
	b.Fatal("the store has no journal")
	return 0
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
