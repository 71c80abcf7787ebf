package reference

import (
	"testing"
	"time"

	"github.com/prometheus/prometheus/tsdb"

	"ringwarden/fleet"
	"ringwarden/store/storetest"
)

// One point over ninety days, of one controller with 20 points, every ten seconds, in both engines. Here they are
// filled an hour at a time, since what is measured is reading; the reference has it all in one block, which is the
// fastest for it to read.
func BenchmarkQuarter(b *testing.B) {
	const days, controllers = 90, 1
	const hour = 360 // ticks
	end := start.AddDate(0, 0, days)
	for range b.N {
		s, _ := openStore(b)
		f := storetest.NewFleet(controllers, start)
		p := openPeer(b, f)
		for h := range days * 24 {
			var frames []fleet.Frame
			for range hour {
				tick := f.Tick()
				p.append(b, tick)
				for i := range tick {
					frames = append(frames, *tick[i].Clone())
				}
			}
			if err := s.Append(b.Context(), frames); err != nil {
				b.Fatal(err)
			}
			if h%12 == 11 {
				fold(b, s, start.Add(time.Duration(h)*time.Hour))
			}
		}
		fold(b, s, end.Add(2*time.Hour))
		head := p.db.Head()
		if err := p.db.CompactHead(tsdb.NewRangeHead(head, head.MinTime(), head.MaxTime())); err != nil {
			b.Fatal(err)
		}
		var ours, theirs time.Duration
		id := f.Controllers()[0]
		for k := range f.Layout.Points {
			name := f.Layout.Points[k].Name
			n, sum := read(b, s, id, name, start, end)
			if m, want := p.read(b, id, name, start, end); n != days*storetest.DayTicks || m != n || sum != want {
				b.Fatalf("%s: %d samples with sum %v here, %d with %v there", name, n, sum, m, want)
			}
			ours += best(5, func() { read(b, s, id, name, start, end) })
			theirs += best(5, func() { p.read(b, id, name, start, end) })
		}
		points := float64(len(f.Layout.Points))
		bar("read-quarter", "%.1f", theirs.Seconds()/ours.Seconds(), "times as fast as the reference, one point of 90 days, mean of 20", ">= 3")
		bar("read-quarter-time", "%.2f", ours.Seconds()/points*1e3, "ms for one point of 90 days", "a figure")
		bar("reference-read-quarter-time", "%.2f", theirs.Seconds()/points*1e3, "ms in the reference", "a figure")
	}
}
