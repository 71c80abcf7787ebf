package simulator

import (
	"context"
	"fmt"
	"io"
	"net"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ringwarden/fleet"
)

// onOneCore keeps a benchmark from using more than the bar allows.
func onOneCore(b *testing.B) {
	old := runtime.GOMAXPROCS(1)
	b.Cleanup(func() { runtime.GOMAXPROCS(old) })
}

// 200 controllers at 60 times the clock's speed must fit on one core. Every register is brought up to date twice in a
// simulated minute and the three poll groups are read over TCP, as a poller with a period of half a second would.
func BenchmarkSpeed(b *testing.B) {
	onOneCore(b)
	p := newPlant(b, rings(40, 5), Options{Seed: 1})
	var simulated time.Duration
	began := time.Now()
	for b.Loop() {
		p.Advance(p.Now().Add(30 * time.Second))
		simulated += 30 * time.Second
		readAll(p)
	}
	b.ReportMetric(simulated.Seconds()/time.Since(began).Seconds(), "x")
	fmt.Printf("bar simulator-speed = %.0f x (want >= 60)\n", simulated.Seconds()/time.Since(began).Seconds())
}

// readAll reads every block of every unit as a server's connection does.
func readAll(p *Plant) {
	var words [125]uint16
	var bits [2000]bool
	for _, r := range p.rings {
		for i := range r.units {
			s := served{p, &r.units[i]}
			for _, g := range fleet.Groups {
				for _, b := range s.u.dev.m.Plan(g).Blocks {
					if b.Table.Bits() {
						_ = s.ReadBits(uint8(b.Table)+1, b.Start, b.Count, bits[:b.Count])
					} else {
						_ = s.ReadRegisters(uint8(b.Table)+1, b.Start, b.Count, words[:b.Count])
					}
				}
			}
		}
	}
}

// The same over real sockets: 200 controllers, each on its own port and each asked for everything once a second, with
// server and clients on the one core. The speed asked for is far above the bar; the figure is what came of it.
func BenchmarkServed(b *testing.B) {
	onOneCore(b)
	f := rings(40, 5)
	for r := range f.Sites[0].Rings {
		units := f.Sites[0].Rings[r].Controllers
		for i := range units {
			units[i].Host = fmt.Sprintf("host-%d-%d", r, i)
		}
	}
	const asked, lasts = 6000, 4 * time.Second
	p := newPlant(b, f, Options{Seed: 1})
	for b.Loop() {
		ctx, cancel := context.WithTimeout(b.Context(), lasts)
		var polls, failures atomic.Int64
		var clients sync.WaitGroup
		from, began := p.Now(), time.Now()
		err := Serve(ctx, p, ServeOptions{Speed: asked, AnyPort: true, Ready: func(addresses map[string]string) {
			for _, u := range p.units {
				clients.Go(func() { pollEverySecond(ctx, u, addresses[u.c.Host], &polls, &failures) })
			}
		}})
		took := time.Since(began)
		clients.Wait()
		cancel()
		if err != nil || failures.Load() > 0 {
			b.Fatalf("Serve: %v; %d polls failed", err, failures.Load())
		}
		b.ReportMetric(float64(polls.Load())/took.Seconds(), "polls/s")
		fmt.Printf("bar simulator-served-speed = %.0f x (want >= 60)\n", p.Now().Sub(from).Seconds()/took.Seconds())
	}
}

// pollEverySecond asks for every block of a unit once a second until ctx is done.
func pollEverySecond(ctx context.Context, u *unit, address string, polls, failures *atomic.Int64) {
	conn, err := net.Dial("tcp", address)
	if err != nil {
		failures.Add(1)
		return
	}
	defer conn.Close()
	answer := make([]byte, 260)
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for ; ctx.Err() == nil; <-ticker.C {
		for _, g := range fleet.Groups {
			for _, block := range u.dev.m.Plan(g).Blocks {
				ask := []byte{0, 1, 0, 0, 0, 6, 1, byte(block.Table) + 1, byte(block.Start >> 8), byte(block.Start), byte(block.Count >> 8), byte(block.Count)}
				_, err := conn.Write(ask)
				if err == nil {
					_, err = io.ReadFull(conn, answer[:9])
				}
				if err == nil {
					_, err = io.ReadFull(conn, answer[9:][:answer[8]])
				}
				if err != nil || answer[7]&0x80 != 0 {
					if ctx.Err() == nil {
						failures.Add(1)
					}
					return
				}
			}
		}
		polls.Add(1)
	}
}

// A week of 200 controllers, polled each minute in process, is what tests and replays pay.
func BenchmarkWeek(b *testing.B) {
	onOneCore(b)
	p := newPlant(b, rings(40, 5), Options{Seed: 1})
	var f fleet.Frame
	b.ReportAllocs()
	for b.Loop() { // an hour, so that the bar does not take a minute
		for range 60 {
			p.Advance(p.Now().Add(time.Minute))
			for _, r := range p.rings {
				for i := range r.units {
					for _, g := range fleet.Groups {
						p.Frame(r.units[i].c.ID, g, &f)
					}
				}
			}
		}
	}
	week := b.Elapsed().Seconds() / float64(b.N) * 24 * 7
	fmt.Printf("bar simulator-week = %.1f s (want <= 60)\n", week)
}
