package simulator

import (
	"context"
	"errors"
	"io"
	"log"
	"maps"
	"math"
	"net"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// serve serves a plant on free ports until the test ends, and returns the addresses by the fleet's hosts. A speed so
// low that simulated time stands still makes registers comparable.
func serve(t *testing.T, p *Plant, speed float64) map[string]string {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ready, done := make(chan map[string]string, 1), make(chan error, 1)
	go func() {
		done <- Serve(ctx, p, ServeOptions{Speed: speed, AnyPort: true, Ready: func(a map[string]string) { ready <- a }})
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	select {
	case a := <-ready:
		return a
	case err := <-done:
		done <- err
		t.Fatalf("Serve: %v", err)
		return nil
	}
}

const still = 1e-9

func dial(t *testing.T, address string, unit uint8) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: "tcp://" + address, Timeout: 300 * time.Millisecond, Logger: log.New(io.Discard, "", 0),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatalf("connecting to %s: %v", address, err)
	}
	t.Cleanup(func() { c.Close() })
	if err := c.SetUnitId(unit); err != nil {
		t.Fatal(err)
	}
	return c
}

// hosted returns a ring of four, the last two behind one gateway.
func hosted() *fleet.Fleet {
	f := rings(1, 4)
	units := f.Sites[0].Rings[0].Controllers
	for i, h := range []string{"127.0.0.1:15021", "127.0.0.1:15022", "127.0.0.1:15023", "127.0.0.1:15023"} {
		units[i].Host = h
	}
	units[3].Unit = 2
	units[1].Map = "sedge"
	return f
}

// What a poll over the network brings must be what a frame in process shows: alarms are proved on the latter.
func TestServedRegistersAreTheFrames(t *testing.T) {
	p := newPlant(t, hosted(), Options{Seed: 5})
	p.Advance(p.Start().Add(time.Hour))
	addresses := serve(t, p, still)
	if got := slices.Sorted(maps.Keys(addresses)); len(got) != 3 {
		t.Fatalf("served hosts %v, want the three of the fleet", got)
	}
	for id, u := range p.units {
		c := dial(t, addresses[u.c.Host], u.c.Unit)
		for _, g := range fleet.Groups {
			plan := u.dev.m.Plan(g)
			values := make([]fleet.Value, len(plan.Layout.Points))
			plan.Reset(values)
			for i, b := range plan.Blocks {
				readBlock(t, c, plan, i, b, values)
			}
			plan.Finish(values)
			if want := frame(t, p, id, g).Values; !slices.Equal(values, want) {
				t.Errorf("%s %s: over the network\n%v\nin process\n%v", id, g, values, want)
			}
		}
	}
}

func readBlock(t *testing.T, c *modbus.ModbusClient, plan *registermap.Plan, i int, b registermap.Block, values []fleet.Value) {
	t.Helper()
	var words []uint16
	var bits []bool
	var err error
	switch b.Table {
	case registermap.Coils:
		bits, err = c.ReadCoils(b.Start, b.Count)
	case registermap.Discretes:
		bits, err = c.ReadDiscreteInputs(b.Start, b.Count)
	case registermap.Holding:
		words, err = c.ReadRegisters(b.Start, b.Count, modbus.HOLDING_REGISTER)
	default:
		words, err = c.ReadRegisters(b.Start, b.Count, modbus.INPUT_REGISTER)
	}
	if err != nil {
		t.Fatalf("reading %v: %v", b, err)
	}
	if bits != nil {
		plan.DecodeBits(i, bits, values)
		return
	}
	plan.DecodeRegisters(i, words, values)
}

// Each network fault must look on the wire as it does in the field, since the poller tells them apart there.
func TestNetworkFaultsOnTheWire(t *testing.T) {
	const at = "mill/r0/u0"
	read := func(t *testing.T, address string) error {
		_, err := dial(t, address, 1).ReadRegisters(16, 4, modbus.HOLDING_REGISTER)
		return err
	}
	tests := []struct {
		fault Fault
		want  func(error) bool
	}{
		{Fault{Kind: SilentUnit, On: at}, func(err error) bool { return errors.Is(err, modbus.ErrRequestTimedOut) }},
		{Fault{Kind: DeadUnit, On: at}, func(err error) bool { return errors.Is(err, modbus.ErrRequestTimedOut) }},
		{Fault{Kind: SlowUnit, On: at, Delay: time.Minute}, func(err error) bool { return errors.Is(err, modbus.ErrRequestTimedOut) }},
		{Fault{Kind: SlowUnit, On: at, Delay: time.Millisecond}, func(err error) bool { return err == nil }},
		{Fault{Kind: RefusingUnit, On: at}, func(err error) bool { return errors.Is(err, modbus.ErrServerDeviceFailure) }},
		{Fault{Kind: GarblingUnit, On: at}, func(err error) bool { return err != nil }},
		{Fault{Kind: RegisterHole, On: at, Point: "bank_current"}, func(err error) bool { return errors.Is(err, modbus.ErrIllegalDataAddress) }},
	}
	for _, tt := range tests {
		t.Run(string(tt.fault.Kind), func(t *testing.T) {
			p := newPlant(t, hosted(), Options{})
			address := serve(t, p, still)["127.0.0.1:15021"]
			if err := p.Inject(tt.fault); err != nil {
				t.Fatal(err)
			}
			if err := read(t, address); !tt.want(err) {
				t.Errorf("reading gave %v", err)
			}
			p.Clear(tt.fault.Kind, tt.fault.On)
			if err := read(t, address); err != nil {
				t.Errorf("reading after the fault gave %v", err)
			}
		})
	}
}

// A gateway answers for a unit that does not: it must not stall the unit's neighbours.
func TestDeadUnitBehindAGateway(t *testing.T) {
	p := newPlant(t, hosted(), Options{})
	address := serve(t, p, still)["127.0.0.1:15023"]
	if err := p.Inject(Fault{Kind: DeadUnit, On: "mill/r0/u3"}); err != nil {
		t.Fatal(err)
	}
	_, err := dial(t, address, 2).ReadRegisters(202, 2, modbus.INPUT_REGISTER)
	if !errors.Is(err, modbus.ErrGWTargetFailedToRespond) {
		t.Errorf("the dead unit: %v, want that the gateway's target failed to respond", err)
	}
	if _, err := dial(t, address, 1).ReadRegisters(16, 2, modbus.HOLDING_REGISTER); err != nil {
		t.Errorf("its neighbour: %v", err)
	}
}

func TestSiteOutageOnTheWire(t *testing.T) {
	p := newPlant(t, hosted(), Options{})
	addresses := serve(t, p, still)
	c := dial(t, addresses["127.0.0.1:15021"], 1)
	if err := p.Inject(Fault{Kind: SiteOutage, On: "mill"}); err != nil {
		t.Fatal(err)
	}
	if _, err := c.ReadRegisters(16, 1, modbus.HOLDING_REGISTER); err == nil || errors.Is(err, modbus.ErrRequestTimedOut) {
		t.Errorf("reading during the outage gave %v, want a connection that is lost", err)
	}
	p.Clear(SiteOutage, "mill")
	if _, err := dial(t, addresses["127.0.0.1:15021"], 1).ReadRegisters(16, 1, modbus.HOLDING_REGISTER); err != nil {
		t.Errorf("reading after the outage gave %v", err)
	}
}

// The clock drives simulated time: at 3600 times its speed an hour passes in a second.
func TestTheClockDrives(t *testing.T) {
	p := newPlant(t, hosted(), Options{})
	addresses := serve(t, p, 3600)
	c := dial(t, addresses["127.0.0.1:15021"], 1)
	uptime := func() uint32 {
		words, err := c.ReadRegisters(38, 2, modbus.HOLDING_REGISTER)
		if err != nil {
			t.Fatal(err)
		}
		return uint32(words[0])<<16 | uint32(words[1])
	}
	first, asked := uptime(), time.Now()
	for uptime() < first+600 {
		if time.Since(asked) > 10*time.Second {
			t.Fatalf("600 simulated seconds did not pass in 10 s at 3600 times the clock's speed")
		}
	}
}

// After a laptop slept for a night the simulation must go on, not race through hours to catch up.
func TestTheClockSkipsWhatItCannotCatchUpWith(t *testing.T) {
	began := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	from := time.Date(2026, 6, 21, 10, 30, 0, 0, time.UTC)
	c := clock{speed: 60, began: began, from: from}
	for _, tt := range []struct {
		name      string
		now       time.Duration // of the machine, since it began
		simulated time.Duration // done so far
		target    time.Duration
		skipped   time.Duration
	}{
		{"in step", time.Second, 57 * time.Second, time.Minute, 0},
		{"a busy machine", 11 * time.Second, time.Minute, 11 * time.Minute, 0},
		{"a night asleep", 8 * time.Hour, 11 * time.Minute, 11 * time.Minute, 8*time.Hour - 11*time.Second},
		{"going on from there", 8*time.Hour + time.Second, 11 * time.Minute, 12 * time.Minute, 0},
	} {
		target, skipped := c.target(began.Add(tt.now), from.Add(tt.simulated))
		if !target.Equal(from.Add(tt.target)) || skipped != tt.skipped {
			t.Errorf("%s: %s, skipped %s; want %s, skipped %s", tt.name, target.Sub(from), skipped, tt.target, tt.skipped)
		}
	}
	slow := clock{speed: 0.01, began: began, from: from}
	if target, skipped := slow.target(began.Add(90*time.Second), from); skipped != 0 || !target.After(from) {
		t.Errorf("slow motion skipped %s", skipped)
	}
}

// An address that is taken is named, with what to do, and no listener is left open.
func TestServeNamesATakenAddress(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	f := rings(1, 1)
	f.Sites[0].Rings[0].Controllers[0].Host = taken.Addr().String()
	err = Serve(t.Context(), newPlant(t, f, Options{}), ServeOptions{})
	if err == nil || !strings.Contains(err.Error(), taken.Addr().String()) || !strings.Contains(err.Error(), "give the controller another host") {
		t.Errorf("got %v", err)
	}
}

func TestServeRefusesWhatItMustNotServe(t *testing.T) {
	tests := []struct {
		name   string
		change func([]fleet.Controller)
		want   string
	}{
		{"another machine", func(c []fleet.Controller) { c[0].Host = "192.0.2.7:502" }, "mill/r0/u0: host 192.0.2.7:502 is not of this machine alone"},
		{"every address", func(c []fleet.Controller) { c[0].Host = ":1502" }, "is not of this machine alone"},
		{"no port", func(c []fleet.Controller) { c[1].Host = "localhost" }, `mill/r0/u1: host "localhost" is no host:port`},
		{"tls", func(c []fleet.Controller) { c[1].TLS = &fleet.TLS{} }, "mill/r0/u1: the simulator serves plain Modbus TCP and no TLS"},
		{"doubled unit", func(c []fleet.Controller) { c[3].Unit = 1 }, "mill/r0/u2 and mill/r0/u3 are both unit 1 at 127.0.0.1:15023"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := hosted()
			tt.change(f.Sites[0].Rings[0].Controllers)
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			err := Serve(ctx, newPlant(t, f, Options{}), ServeOptions{})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
	if err := Serve(t.Context(), newPlant(t, hosted(), Options{}), ServeOptions{Speed: -1}); err == nil {
		t.Error("a negative speed was accepted")
	}
}

// Any map can be tried: every point must answer something that decodes.
func TestBenchAnswersEveryPoint(t *testing.T) {
	for _, name := range []string{"larkspur", "teasel", "sedge"} {
		m := loadMap(t, name)
		f, err := Bench(m, 3, 15020)
		if err != nil {
			t.Fatal(err)
		}
		p, err := New(f, map[string]*registermap.Map{m.File: m}, Options{Seed: 2})
		if err != nil {
			t.Fatal(err)
		}
		p.Advance(p.Start().Add(90 * time.Minute))
		for id, u := range p.units {
			for _, g := range fleet.Groups {
				if u.dev.m.Plan(g) == nil {
					continue
				}
				f := frame(t, p, id, g)
				for i, v := range f.Values {
					if v.Quality != fleet.Good {
						t.Errorf("%s %s is %s", id, f.Layout.Points[i].Name, v.Quality)
					}
				}
			}
		}
	}
	for _, wrong := range [][2]int{{0, 15020}, {201, 15020}, {3, 0}, {3, 65534}} {
		if _, err := Bench(loadMap(t, "larkspur"), wrong[0], wrong[1]); err == nil {
			t.Errorf("Bench(%d, %d) was accepted", wrong[0], wrong[1])
		}
	}
}

// Debian's mbpoll, which is built on libmodbus (C), reads what the simulator shows.
func TestInteropMbpoll(t *testing.T) {
	mbpoll, err := exec.LookPath("mbpoll")
	if err != nil {
		const left = "mbpoll (Debian package mbpoll) is not installed: reading the simulator with it is left out"
		if os.Getenv("CI") == "true" {
			t.Fatal(left)
		}
		t.Skip(left)
	}
	p := newPlant(t, hosted(), Options{Seed: 4})
	p.Advance(p.Start().Add(time.Hour))
	host, port, _ := net.SplitHostPort(serve(t, p, still)["127.0.0.1:15021"])
	cmd := exec.CommandContext(t.Context(), mbpoll, "-0", "-1", "-q", "-m", "tcp", "-p", port, "-a", "1",
		"-t", "4", "-r", "16", "-c", "7", host) // -0: numbers start at 0; -t 4: holding registers
	cmd.WaitDelay = time.Second
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll: %v\n%s", err, out)
	}
	var got []float64
	for _, m := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\d+)`).FindAllStringSubmatch(string(out), -1) {
		n, _ := strconv.ParseFloat(m[1], 64)
		got = append(got, n)
	}
	f := frame(t, p, "mill/r0/u0", fleet.Normal)
	volts, _ := f.Number(fleet.BatteryVoltage)
	celsius, _ := f.Number(fleet.BatteryTemperature)
	if len(got) != 7 || got[0] != math.Round(volts*10) || got[6] != math.Round(celsius*10) {
		t.Errorf("mbpoll read %v; want tenths of %g V first and tenths of %g °C last", got, volts, celsius)
	}
}
