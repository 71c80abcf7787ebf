package modbusserver

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// limit bounds every wait of these tests.
const limit = 10 * time.Second

// start serves cfg on a port of loopback until the test ends, and returns its address.
func start(t testing.TB, cfg Config) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, ln, cfg) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Serve = %v, want nil after cancellation", err)
			}
		case <-time.After(limit):
			t.Error("Serve did not return after cancellation")
		}
	})
	return ln.Addr().String()
}

// only answers for every unit with one device.
func only(d Device) func(uint8) (Device, bool) {
	return func(uint8) (Device, bool) { return d, true }
}

func dial(t testing.TB, address string) net.Conn {
	t.Helper()
	nc, err := net.DialTimeout("tcp", address, limit)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { nc.Close() })
	if err := nc.SetDeadline(time.Now().Add(limit)); err != nil {
		t.Fatal(err)
	}
	return nc
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t testing.TB, nc net.Conn, frames string) {
	t.Helper()
	if _, err := nc.Write(unhex(t, frames)); err != nil {
		t.Fatal(err)
	}
}

// expect reads exactly the wanted bytes.
func expect(t testing.TB, nc net.Conn, want string) {
	t.Helper()
	wanted := unhex(t, want)
	got := make([]byte, len(wanted))
	n, err := io.ReadFull(nc, got)
	if err != nil || !bytes.Equal(got, wanted) {
		t.Fatalf("answer = % X, %v, want % X", got[:n], err, wanted)
	}
}

// expectEnd wants nothing more, and an end of the connection that the server made.
func expectEnd(t testing.TB, nc net.Conn) {
	t.Helper()
	n, err := nc.Read(make([]byte, 1))
	if e, ok := errors.AsType[net.Error](err); n != 0 || err == nil || ok && e.Timeout() {
		t.Fatalf("read = %d bytes, %v, want the connection ended", n, err)
	}
}

// specification has the data of the examples in the Modbus Application Protocol Specification V1.1b3, sections 6.1
// to 6.4, and those of python3-pymodbus' own tests.
func specification() *Tables {
	d := &Tables{
		Coils: make([]bool, 100), DiscreteInputs: make([]bool, 300),
		Holding: make([]uint16, 200), Inputs: make([]uint16, 100),
	}
	fill := func(bits []bool, packed ...byte) {
		for i := range bits {
			bits[i] = packed[i/8]&(1<<(i%8)) != 0
		}
	}
	fill(d.Coils[0x13:0x13+19], 0xCD, 0x6B, 0x05)
	fill(d.DiscreteInputs[0xC4:0xC4+22], 0xAC, 0xDB, 0x35)
	copy(d.Holding[0x6B:], []uint16{555, 0, 100})
	copy(d.Holding[0x7C:], []uint16{141, 142})
	d.Inputs[8] = 10
	return d
}

func TestPublishedFrames(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification())}))
	for _, c := range []struct{ name, request, answer string }{
		// V1.1b3, 6.1 to 6.4 and 7, in the header of the TCP guide's example (V1.0b, 4.4.1.2).
		{"coils", "15 01 00 00 00 06 FF 01 00 13 00 13", "15 01 00 00 00 06 FF 01 03 CD 6B 05"},
		{"discrete inputs", "15 01 00 00 00 06 FF 02 00 C4 00 16", "15 01 00 00 00 06 FF 02 03 AC DB 35"},
		{"holding registers", "15 01 00 00 00 06 FF 03 00 6B 00 03", "15 01 00 00 00 09 FF 03 06 02 2B 00 00 00 64"},
		{"input registers", "15 01 00 00 00 06 FF 04 00 08 00 01", "15 01 00 00 00 05 FF 04 02 00 0A"},
		{"no such address", "15 01 00 00 00 06 FF 01 04 A1 00 01", "15 01 00 00 00 03 FF 81 02"},
		// Frames of python3-pymodbus' tests.
		{"pymodbus", "00 00 00 00 00 06 11 03 00 7C 00 02", "00 00 00 00 00 07 11 03 04 00 8D 00 8E"},
		{"pymodbus 3077", "0C 05 00 00 00 06 FF 03 00 7C 00 02", "0C 05 00 00 00 07 FF 03 04 00 8D 00 8E"},
	} {
		t.Run(c.name, func(t *testing.T) {
			write(t, nc, c.request)
			expect(t, nc, c.answer)
		})
	}
}

// broken fails with an error that is no exception.
type broken struct{ Tables }

func (*broken) ReadRegisters(uint8, uint16, uint16, []uint16) error { return io.ErrUnexpectedEOF }

// The order of the checks is that of V1.1b3, figures 11 and 14: function, quantity, address, execution.
func TestRefusals(t *testing.T) {
	units := map[uint8]Device{
		// "A device with 100 registers": V1.1b3, section 7, exception 02.
		1: &Tables{Holding: make([]uint16, 100), Coils: make([]bool, 100)},
		2: &broken{},
		3: &Tables{Holding: make([]uint16, 1<<16), Coils: make([]bool, 1<<16)},
	}
	nc := dial(t, start(t, Config{Gateway: true, Device: func(unit uint8) (Device, bool) {
		d, ok := units[unit]
		return d, ok
	}}))
	for _, c := range []struct{ name, request, answer string }{
		{"start 96, 4 registers", "0001 0000 0006 01 03 0060 0004", "0001 0000 000B 01 03 08 0000 0000 0000 0000"},
		{"start 96, 5 registers", "0001 0000 0006 01 03 0060 0005", "0001 0000 0003 01 83 02"},
		{"no register", "0002 0000 0006 01 03 0060 0000", "0002 0000 0003 01 83 03"},
		{"126 registers, also no such address", "0003 0000 0006 01 04 0060 007E", "0003 0000 0003 01 84 03"},
		{"2001 coils", "0004 0000 0006 01 01 0000 07D1", "0004 0000 0003 01 81 03"},
		{"beyond 65535", "0005 0000 0006 03 03 FFFF 0002", "0005 0000 0003 03 83 02"},
		{"the last register", "0005 0000 0006 03 03 FFFF 0001", "0005 0000 0005 03 03 02 0000"},
		{"not in the table at all", "0006 0000 0006 01 02 0000 0001", "0006 0000 0003 01 82 02"},
		{"device fails", "0007 0000 0006 02 03 0000 0001", "0007 0000 0003 02 83 04"},
		{"request cut inside its frame", "0008 0000 0005 01 03 0000 00", "0008 0000 0003 01 83 03"},
		{"request too long in its frame", "0009 0000 0007 01 03 0000 0001 00", "0009 0000 0003 01 83 03"},
		{"unknown unit behind a gateway", "000A 0000 0006 09 03 0000 0001", "000A 0000 0003 09 83 0B"},
		// Writes and everything else: V1.1b3, 6.5, 6.6, 6.11, 6.12 with the examples of those sections.
		{"write coil", "000B 0000 0006 01 05 00AC FF00", "000B 0000 0003 01 85 01"},
		{"write register", "000C 0000 0006 01 06 0001 0003", "000C 0000 0003 01 86 01"},
		{"write coils", "000D 0000 0009 01 0F 0013 000A 02 CD01", "000D 0000 0003 01 8F 01"},
		{"write registers", "000E 0000 000B 01 10 0001 0002 04 000A 0102", "000E 0000 0003 01 90 01"},
		{"function alone", "000F 0000 0002 01 2B", "000F 0000 0003 01 AB 01"},
	} {
		t.Run(c.name, func(t *testing.T) {
			write(t, nc, c.request)
			expect(t, nc, c.answer)
		})
	}
}

// lazy fills nothing and refuses nothing.
type lazy struct{}

func (lazy) ReadRegisters(uint8, uint16, uint16, []uint16) error { return nil }
func (lazy) ReadBits(uint8, uint16, uint16, []bool) error        { return nil }

// A careless device can neither give away what another unit said before nor be asked beyond the last address.
func TestCarelessDevice(t *testing.T) {
	nc := dial(t, start(t, Config{Device: func(unit uint8) (Device, bool) {
		if unit == 1 {
			return specification(), true
		}
		return lazy{}, true
	}}))
	write(t, nc, ask)
	expect(t, nc, answer)
	write(t, nc, "0001 0000 0006 02 03 006B 0003 0002 0000 0006 02 03 FFFF 0002 0003 0000 0006 02 01 FFFF 0002")
	expect(t, nc, "0001 0000 0009 02 03 06 0000 0000 0000 0002 0000 0003 02 83 02 0003 0000 0003 02 81 02")
}

// A full-size answer has 259 bytes (V1.1b3, 4.1 and 6.3: 125 registers are 250 bytes).
func TestFullSizeAnswers(t *testing.T) {
	d := &Tables{Holding: make([]uint16, 125), Coils: make([]bool, 2000)}
	for i := range d.Holding {
		d.Holding[i] = uint16(i)
	}
	for i := range d.Coils {
		d.Coils[i] = true
	}
	nc := dial(t, start(t, Config{Device: only(d)}))
	want := "0001 0000 00FD 01 03 FA"
	for i := range d.Holding {
		want += fmt.Sprintf("%04X", i)
	}
	write(t, nc, "0001 0000 0006 01 03 0000 007D")
	expect(t, nc, want)
	write(t, nc, "0002 0000 0006 01 01 0000 07D0")
	expect(t, nc, "0002 0000 00FD 01 01 FA"+strings.Repeat("FF", 250))
}

const (
	ask    = "0102 0000 0006 01 03 006B 0003"
	answer = "0102 0000 0009 01 03 06 022B 0000 0064"
)

// V1.0b, 3.1.2: a frame may arrive in several segments and is framed by its length field.
func TestRequestInSegments(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification())}))
	for _, b := range unhex(t, ask) {
		if _, err := nc.Write([]byte{b}); err != nil {
			t.Fatal(err)
		}
	}
	expect(t, nc, answer)
}

// V1.0b, 4.4.1.2: a client may have several requests under way; here many more than the server's buffer holds.
func TestRequestsSentAhead(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification())}))
	var asked, want strings.Builder
	for i := range 500 {
		fmt.Fprintf(&asked, "%04X 0000 0006 01 04 0008 0001", i)
		fmt.Fprintf(&want, "%04X 0000 0005 01 04 02 000A", i)
	}
	write(t, nc, asked.String())
	expect(t, nc, want.String())
}

// V1.0b, 4.4.2.2: another protocol identifier than 0 is discarded; the connection stays in step.
func TestOtherProtocolIsDiscarded(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification())}))
	write(t, nc, "0001 0001 0006 01 03 006B 0003"+ask)
	expect(t, nc, answer)
}

func TestLostFramingEndsTheConnection(t *testing.T) {
	address := start(t, Config{Device: only(specification())})
	for _, length := range []string{"0000", "0001", "00FF", "FFFF"} {
		nc := dial(t, address)
		write(t, nc, "0001 0000"+length+"01 03 006B 0003")
		expectEnd(t, nc)
	}
}

func TestUnknownUnitIsSilentWithoutGateway(t *testing.T) {
	nc := dial(t, start(t, Config{Device: func(unit uint8) (Device, bool) { return specification(), unit == 1 }}))
	write(t, nc, "0001 0000 0006 02 03 006B 0003"+ask)
	expect(t, nc, answer)
}

// One connection more than allowed is reset; when one of them goes, the next is served.
func TestMaxConns(t *testing.T) {
	address := start(t, Config{Device: only(specification()), MaxConns: 1})
	first := dial(t, address)
	write(t, first, ask)
	expect(t, first, answer)
	if answers(t, address) {
		t.Error("a second connection was served")
	}
	first.Close()
	eventually(t, func() bool { return answers(t, address) })
}

func TestIdleConnectionIsClosed(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification()), Idle: 20 * time.Millisecond}))
	write(t, nc, "0102 0000") // a request that never ends is idle as well
	expectEnd(t, nc)
}

// A site without network resets what is open and lets nothing in; the ports stay.
func TestGate(t *testing.T) {
	var gate Gate
	cfg := Config{Device: only(specification()), Gate: &gate}
	a, b := start(t, cfg), start(t, cfg)
	before := dial(t, a)
	write(t, before, ask)
	expect(t, before, answer)
	if !answers(t, b) {
		t.Fatal("no answer while the gate is open")
	}
	gate.Shut()
	expectEnd(t, before)
	if answers(t, a) || answers(t, b) {
		t.Error("an answer while the gate is shut")
	}
	late := start(t, cfg) // a server that starts during the outage is shut as well
	eventually(t, func() bool { return !answers(t, late) })
	gate.Open()
	if !answers(t, a) || !answers(t, b) || !answers(t, late) {
		t.Error("no answer after the gate opened")
	}
}

// answers reports whether a new connection gets an answer.
func answers(t *testing.T, address string) bool {
	t.Helper()
	nc, err := net.DialTimeout("tcp", address, limit)
	if err != nil {
		return false // a reset may come before the operating system has said that it is connected
	}
	defer nc.Close()
	if nc.SetDeadline(time.Now().Add(limit)) != nil {
		return false
	}
	if _, err := nc.Write(unhex(t, ask)); err != nil {
		return false
	}
	got := make([]byte, len(unhex(t, answer)))
	_, err = io.ReadFull(nc, got)
	return err == nil && bytes.Equal(got, unhex(t, answer))
}

func eventually(t *testing.T, cond func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !cond(); {
		if time.Now().After(end) {
			t.Fatal("waited in vain")
		}
	}
}

// Cancellation ends connections that wait for a request, hold back an answer or send slowly.
func TestCancel(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var asked sync.WaitGroup
	asked.Add(2)
	cfg := Config{Device: only(specification()), Spoil: func(r Request) Spoil {
		defer asked.Done()
		if r.Unit == 1 {
			return Spoil{Delay: time.Hour}
		}
		return Spoil{Slice: 1, Gap: time.Hour}
	}}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, ln, cfg) }()
	delayed, sliced := dial(t, ln.Addr().String()), dial(t, ln.Addr().String())
	write(t, delayed, ask)
	write(t, sliced, "0102 0000 0006 02 03 006B 0003")
	asked.Wait()
	expect(t, sliced, "01")
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("Serve = %v, want nil", err)
		}
	case <-time.After(limit):
		t.Fatal("Serve did not return")
	}
	expectEnd(t, delayed)
	expectEnd(t, sliced)
	if nc, err := net.Dial("tcp", ln.Addr().String()); err == nil {
		nc.Close()
		t.Error("the port still accepts")
	}
}

func TestListenerThatFails(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ln.Close()
	if err := Serve(t.Context(), ln, Config{Device: only(specification())}); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Serve = %v, want net.ErrClosed", err)
	}
}
