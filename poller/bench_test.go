package poller

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// stationsVariable makes the test binary serve so many devices instead of testing, for benchmarks whose devices are
// another process.
const stationsVariable = "RINGWARDEN_TEST_STATIONS"

func TestMain(m *testing.M) {
	if n, err := strconv.Atoi(os.Getenv(stationsVariable)); err == nil {
		serveStations(n)
		return
	}
	os.Exit(m.Run())
}

// serveStations serves n devices, each on a port of its own, prints the addresses and ends with its standard input.
func serveStations(n int) {
	for range n {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			fmt.Println(err)
			return
		}
		go func() {
			for {
				conn, err := listener.Accept()
				if err != nil {
					return
				}
				go answerAll(conn)
			}
		}()
		fmt.Println(listener.Addr())
	}
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// answerAll answers registers and bits with their addresses, remembering nothing.
func answerAll(conn net.Conn) {
	defer conn.Close()
	in := bufio.NewReaderSize(conn, 64)
	for {
		frame, err := readADU(in)
		if err != nil || len(frame) < 12 {
			return
		}
		r := request{unit: frame[6], function: frame[7], start: uint16(frame[8])<<8 | uint16(frame[9]), count: uint16(frame[10])<<8 | uint16(frame[11])}
		pdu := coils(r, uint64(r.start))
		if r.function > 2 {
			pdu = registers(r, r.start)
		}
		if _, err := conn.Write(answerADU(frame, pdu)); err != nil {
			return
		}
	}
}

// stations starts n devices in a process of their own and returns their addresses.
func stations(b *testing.B, n int) []string {
	b.Helper()
	program, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(program)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d", stationsVariable, n))
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		in.Close()
		_ = cmd.Wait()
	})
	addrs := make([]string, 0, n)
	lines := bufio.NewScanner(out)
	for len(addrs) < n && lines.Scan() {
		if _, _, err := net.SplitHostPort(lines.Text()); err != nil {
			b.Fatalf("the devices' process says %q", lines.Text())
		}
		addrs = append(addrs, lines.Text())
	}
	if len(addrs) < n {
		b.Fatalf("%d devices of %d", len(addrs), n)
	}
	return addrs
}

// benchMap is a controller as most are: about thirty points in three requests when fast, some more when not.
func benchMap(b *testing.B) *registermap.Map {
	var s strings.Builder
	s.WriteString("format: 1\nmodel: bench\nreads: {bridge: 4}\npoints:\n")
	row := func(n int, table string, start int, kind, poll string) {
		step := map[string]int{"u16": 1, "u32": 2, "bit": 1}[kind]
		for i := range n {
			fmt.Fprintf(&s, "  %s_%d: {at: %s %d, type: %s, poll: %s}\n", table, start+i*step, table, start+i*step, kind, poll)
		}
	}
	row(16, "holding", 0, "u16", "fast")
	row(6, "input", 100, "u32", "fast")
	row(8, "discrete", 10, "bit", "fast")
	row(8, "holding", 200, "u16", "normal")
	row(6, "holding", 300, "u16", "slow")
	return mapOf(b, s.String())
}

// counter is a sink that only counts.
type counter struct{ frames, late, lost, values atomic.Int64 }

func (c *counter) Put(f *fleet.Frame) {
	c.frames.Add(1)
	c.values.Add(int64(len(f.Values)))
	switch {
	case f.Outcome != fleet.Answered:
		c.lost.Add(1)
	case f.Late > 250*time.Millisecond:
		c.late.Add(1)
	}
}

// BenchmarkRequests reads the same blocks of one device, in another process, by turns through the library's client
// alone and down the poller's whole path to the sink.
func BenchmarkRequests(b *testing.B) {
	const turn = 50
	addr, m := stations(b, 1)[0], benchMap(b)
	blocks := m.Plan(fleet.Fast).Blocks

	bare, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + addr, Timeout: time.Second, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		b.Fatal(err)
	}
	if err := bare.Open(); err != nil {
		b.Fatal(err)
	}
	defer bare.Close()

	sink := &counter{}
	p := New(Config{}, sink)
	c := newConn(p, address{host: addr})
	u := newUnit(device(m, addr, 1), fleet.Periods{Fast: time.Hour}, time.Now(), nil)
	defer c.close()

	readTurn := func() time.Duration {
		from := time.Now()
		for range turn {
			if err := readBare(bare, blocks); err != nil {
				b.Fatal(err)
			}
		}
		return time.Since(from)
	}
	pollTurn := func() time.Duration {
		from := time.Now()
		for range turn {
			u.slots[0].next = time.Now()
			c.serve(b.Context(), u.slots[0], u.slots[0].next)
		}
		return time.Since(from)
	}
	var bareTime, pollerTime time.Duration
	b.ReportAllocs()
	for b.Loop() { // each goes first once, since the machine does other things as well
		bareTime += readTurn()
		pollerTime += pollTurn()
		pollerTime += pollTurn()
		bareTime += readTurn()
	}
	if sink.lost.Load() > 0 {
		b.Fatalf("%d of %d polls gave nothing", sink.lost.Load(), sink.frames.Load())
	}
	requests := float64(2 * b.N * turn * len(blocks))
	b.ReportMetric(requests/bareTime.Seconds(), "bare-requests/s")
	b.ReportMetric(requests/pollerTime.Seconds(), "poller-requests/s")
	fmt.Printf("\nbar poller-requests-vs-bare = %.3f ratio (want >= 0.9)\n", bareTime.Seconds()/pollerTime.Seconds())
}

// readBare reads blocks as a program would that has nothing but the library.
func readBare(client *modbus.ModbusClient, blocks []registermap.Block) error {
	for _, block := range blocks {
		var err error
		switch block.Table {
		case registermap.Coils:
			_, err = client.ReadCoils(block.Start, block.Count)
		case registermap.Discretes:
			_, err = client.ReadDiscreteInputs(block.Start, block.Count)
		case registermap.Holding:
			_, err = client.ReadRegisters(block.Start, block.Count, modbus.HOLDING_REGISTER)
		case registermap.Inputs:
			_, err = client.ReadRegisters(block.Start, block.Count, modbus.INPUT_REGISTER)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// BenchmarkFleet polls two thousand controllers, in rings of eight, every two seconds, each on a connection of its
// own; the devices are another process on the same machine.
func BenchmarkFleet(b *testing.B) {
	const (
		controllers = 2000
		ring        = 8
		length      = 24 * time.Second
	)
	b.Run(fmt.Sprintf("controllers=%d/period=2s", controllers), func(b *testing.B) {
		addrs, m := stations(b, controllers), benchMap(b)
		for b.Loop() {
			f := benchFleet(addrs, ring)
			base := resident(b)
			devices, err := Devices(f, map[string]*registermap.Map{"bench.yaml": m})
			if err != nil {
				b.Fatal(err)
			}
			sink := &counter{}
			p := New(Config{}, sink)
			p.Update(devices, f.Periods)
			ctx, cancel := context.WithTimeout(b.Context(), length)
			ended := make(chan error, 1)
			go func() { ended <- p.Run(ctx) }()
			most := base
			for tick := time.NewTicker(time.Second); ctx.Err() == nil; {
				select {
				case <-tick.C:
					most = max(most, resident(b))
				case <-ctx.Done():
					tick.Stop()
				}
			}
			cancel()
			if err := <-ended; err != nil {
				b.Fatal(err)
			}
			reportFleet(b, sink, controllers, most-base)
		}
	})
}

func reportFleet(b *testing.B, sink *counter, controllers int, grown int64) {
	b.Helper()
	frames, late, lost := sink.frames.Load(), sink.late.Load(), sink.lost.Load()
	if frames < int64(controllers)*10 {
		b.Fatalf("%d frames of %d controllers in 24 s", frames, controllers)
	}
	b.ReportMetric(float64(frames), "frames")
	b.ReportMetric(float64(lost), "lost-frames")
	b.ReportMetric(float64(sink.values.Load()), "values")
	// A poll that gave nothing counts as late.
	fmt.Printf("\nbar poller-late-share = %.3f %% (want <= 1)\n", 100*float64(late+lost)/float64(frames))
	// The whole growth of the process counts, though 40 MB of it would be allowed as a base.
	fmt.Printf("bar rss-per-controller = %.1f KB (want <= 60)\n", float64(grown)/1000/float64(controllers))
}

// benchFleet puts devices into rings of one site.
func benchFleet(addrs []string, ring int) *fleet.Fleet {
	f := &fleet.Fleet{Periods: periodsOf(2, 10, 60), Sites: []fleet.Site{{ID: "mill", Zone: time.UTC}}}
	site := &f.Sites[0]
	for i, addr := range addrs {
		if i%ring == 0 {
			site.Rings = append(site.Rings, fleet.Ring{ID: fleet.RingID(fmt.Sprintf("mill/r%d", i/ring))})
		}
		r := &site.Rings[len(site.Rings)-1]
		r.Controllers = append(r.Controllers, fleet.Controller{
			ID: fleet.ControllerID(fmt.Sprintf("%s/c%d", r.ID, i%ring)), Host: addr, Unit: 1, Map: "bench.yaml",
		})
	}
	return f
}

func periodsOf(fast, normal, slow time.Duration) fleet.Periods {
	return fleet.Periods{Fast: fast * time.Second, Normal: normal * time.Second, Slow: slow * time.Second}
}

// resident returns the resident memory of this process in bytes.
func resident(b *testing.B) int64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		b.Skip("left out: resident memory, which needs /proc")
	}
	var size, pages int64
	if _, err := fmt.Sscan(string(text), &size, &pages); err != nil {
		b.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}
