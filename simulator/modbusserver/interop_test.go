package modbusserver

import (
	"errors"
	"io"
	"log"
	"net"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
)

// The client that the program itself uses reads the data of the specification's examples.
func TestInteropGoClient(t *testing.T) {
	client, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: "tcp://" + start(t, Config{Device: only(specification())}), Timeout: limit, Logger: log.New(io.Discard, "", 0),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := client.Open(); err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	for typ, c := range map[modbus.RegType]struct {
		at   uint16
		want []uint16
	}{modbus.HOLDING_REGISTER: {0x6B, []uint16{555, 0, 100}}, modbus.INPUT_REGISTER: {8, []uint16{10}}} {
		got, err := client.ReadRegisters(c.at, uint16(len(c.want)), typ)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("registers at %d = %v, %v, want %v", c.at, got, err, c.want)
		}
	}
	want := specification()
	if got, err := client.ReadCoils(0x13, 19); err != nil || !slices.Equal(got, want.Coils[0x13:0x13+19]) {
		t.Errorf("coils = %v, %v", got, err)
	}
	if got, err := client.ReadDiscreteInputs(0xC4, 22); err != nil || !slices.Equal(got, want.DiscreteInputs[0xC4:0xC4+22]) {
		t.Errorf("discrete inputs = %v, %v", got, err)
	}
	if _, err := client.ReadCoils(0x4A1, 1); !errors.Is(err, modbus.ErrIllegalDataAddress) {
		t.Errorf("coil 1185 = %v, want illegal data address", err)
	}
}

// Debian's mbpoll, which is built on libmodbus (C), reads all four tables.
func TestInteropMbpoll(t *testing.T) {
	mbpoll, err := exec.LookPath("mbpoll")
	if err != nil {
		const left = "mbpoll (Debian package mbpoll) is not installed: reading the four tables with it is left out"
		if os.Getenv("CI") == "true" {
			t.Fatal(left)
		}
		t.Skip(left)
	}
	host, port, _ := net.SplitHostPort(start(t, Config{Device: only(specification())}))
	for _, c := range []struct{ name, table, at, count, want string }{ // -0: numbers start at 0
		{"coils", "0", "19", "8", "1 0 1 1 0 0 1 1"},
		{"discrete inputs", "1", "196", "8", "0 0 1 1 0 1 0 1"},
		{"input registers", "3", "8", "1", "10"},
		{"holding registers", "4", "107", "3", "555 0 100"},
	} {
		cmd := exec.CommandContext(t.Context(), mbpoll, "-0", "-1", "-q", "-m", "tcp", "-p", port, "-a", "1",
			"-t", c.table, "-r", c.at, "-c", c.count, host)
		cmd.WaitDelay = time.Second
		out, err := cmd.CombinedOutput()
		var got []string
		for _, m := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\d+)`).FindAllStringSubmatch(string(out), -1) {
			got = append(got, m[1])
		}
		if err != nil || strings.Join(got, " ") != c.want {
			t.Errorf("mbpoll %s: %v, read %v, want %s\n%s", c.name, err, got, c.want, out)
		}
	}
}
