package poller

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// without ends a test whose peer is not installed: in CI that is a failure.
func without(t *testing.T, peer string) {
	t.Helper()
	left := peer + " is not installed: polling its server is left out"
	if os.Getenv("CI") == "true" {
		t.Fatal(left)
	}
	t.Skip(left)
}

// serve starts a server that prints its port, and returns its address.
func serve(t *testing.T, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	port, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		t.Fatalf("%s %v says no port: %v\n%s", name, args, err, &said)
	}
	return "127.0.0.1:" + strings.TrimSpace(port)
}

// interopMap reads what the two servers hold: the examples of the Modbus Application Protocol V1.1b3, 6.1 to 6.4, and
// two numbers in the encodings of pymodbus' own tests (27123.5 is 46D3E700, -32145678 is FE157EF2).
func interopMap(t *testing.T) *registermap.Map {
	var b strings.Builder
	b.WriteString(`
format: 1
model: interop
reads: {bridge: 12}
points:
  float:   {at: holding 100, type: f32, poll: fast}
  swapped: {at: holding 102, type: s32, words: swapped, poll: fast}
  r108:    {at: holding 107, type: u16, poll: fast}
  r109:    {at: holding 108, type: u16, poll: fast}
  r110:    {at: holding 109, type: u16, poll: fast}
  missing: {at: holding 110, type: u16, poll: fast}
  input9:  {at: input 8, type: u16, poll: fast}
`)
	for i := range 19 {
		fmt.Fprintf(&b, "  coil%d: {at: coil %d, type: bit, poll: fast}\n", 20+i, 0x13+i)
	}
	for i := range 22 {
		fmt.Fprintf(&b, "  discrete%d: {at: discrete %d, type: bit, poll: fast}\n", 197+i, 0xC4+i)
	}
	return mapOf(t, b.String())
}

// interopWant is what the points are, from the specification's own decoding of its examples.
func interopWant() map[string]float64 {
	want := map[string]float64{"float": 27123.5, "swapped": -32145678, "r108": 555, "r109": 0, "r110": 100, "input9": 10}
	for i, b := range "1011001111010110101" { // 6.1: outputs 20 to 38
		want[fmt.Sprintf("coil%d", 20+i)] = float64(b - '0')
	}
	for i := range 22 { // 6.2: inputs 197 to 218, AC DB 35
		want[fmt.Sprintf("discrete%d", 197+i)] = float64([]byte{0xAC, 0xDB, 0x35}[i/8] >> (i % 8) & 1)
	}
	return want
}

// interop polls units of a server and returns a late fast frame of each.
func interop(t *testing.T, host string, units ...uint8) []*fleet.Frame {
	t.Helper()
	m, sink := interopMap(t), &notebook{}
	p := New(Config{Timeout: testTimeout}, sink)
	var devices []Device
	for _, u := range units {
		devices = append(devices, device(m, host, u))
	}
	p.Update(devices, fleet.Periods{Fast: 100 * time.Millisecond})
	stop := start(t, p)
	var last []*fleet.Frame
	for _, d := range devices {
		sink.until(t, "three polls of "+string(d.ID), func(all []*fleet.Frame) bool {
			n := 0
			for _, f := range all {
				if f.Controller == d.ID && f.Outcome != fleet.Skipped {
					n++
				}
			}
			return n >= 3
		})
	}
	stop()
	for _, d := range devices {
		frames := sink.of(d.ID, fleet.Fast)
		everyInstant(t, frames, 100*time.Millisecond, 0)
		frames = slices.DeleteFunc(frames, func(f *fleet.Frame) bool { return f.Outcome == fleet.Skipped })
		last = append(last, frames[len(frames)-2]) // the very last one the end may have cut short
	}
	return last
}

func checkInterop(t *testing.T, f *fleet.Frame) {
	t.Helper()
	if f.Outcome != fleet.Answered {
		t.Fatalf("%s: %s", f.Controller, f.Outcome)
	}
	for name, want := range interopWant() {
		i, _ := f.Layout.Named(name)
		if v := f.Values[i]; v.Quality != fleet.Good || v.Number != want {
			t.Errorf("%s is %v (%s), want %v", name, v.Number, v.Quality, want)
		}
	}
	i, _ := f.Layout.Named("missing")
	if v := f.Values[i]; v.Quality != fleet.Unreadable {
		t.Errorf("the missing register is %v (%s), want unreadable", v.Number, v.Quality)
	}
}

// A server of Debian's python3-pymodbus, which does not answer for units that it does not have.
func TestInteropPymodbus(t *testing.T) {
	t.Parallel()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import pymodbus.server").Run(); err != nil {
		without(t, "python3-pymodbus (with python3-serial and python3-serial-asyncio)")
	}
	frames := interop(t, serve(t, python, "testdata/interop/pymodbus_server.py"), 1, 9)
	checkInterop(t, frames[0])
	if frames[1].Outcome != fleet.Silent {
		t.Errorf("unit 9: %s, want silent", frames[1].Outcome)
	}
}

// A server of libmodbus (C), which answers for a dead and for a busy unit with exceptions.
func TestInteropLibmodbus(t *testing.T) {
	t.Parallel()
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		without(t, "libmodbus-dev (with pkg-config)")
	}
	program := filepath.Join(t.TempDir(), "server")
	args := append([]string{"-o", program, "testdata/interop/libmodbus_server.c"}, strings.Fields(string(flags))...)
	if _, err := exec.LookPath("cc"); err != nil {
		without(t, "a C compiler")
	}
	if out, err := exec.Command("cc", args...).CombinedOutput(); err != nil {
		t.Fatalf("cc: %v\n%s", err, out)
	}
	frames := interop(t, serve(t, program), 1, 9, 8)
	checkInterop(t, frames[0])
	if frames[1].Outcome != fleet.Silent {
		t.Errorf("unit 9, which the gateway says is dead: %s, want silent", frames[1].Outcome)
	}
	if frames[2].Outcome != fleet.Refused {
		t.Errorf("unit 8, which is busy: %s, want refused", frames[2].Outcome)
	}
}
