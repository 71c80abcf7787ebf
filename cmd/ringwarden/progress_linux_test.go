package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ringwarden/fleet"
	"ringwarden/store"
)

// pseudoTerminal opens one (pts(4)), of a hundred columns: the side of who sits at it, and that of the program.
func pseudoTerminal(t *testing.T) (person, program *os.File) {
	t.Helper()
	person, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { person.Close() })
	control, err := person.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var number int
	for _, step := range []func(fd int) error{
		func(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0) },
		func(fd int) (err error) { number, err = unix.IoctlGetInt(fd, unix.TIOCGPTN); return err },
		func(fd int) error { return unix.IoctlSetWinsize(fd, unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 100}) },
	} {
		if err := control.Control(func(fd uintptr) { err = step(int(fd)) }); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	program, err = os.OpenFile(fmt.Sprint("/dev/pts/", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	return person, program
}

// drawn is a bar, however far.
var drawn = regexp.MustCompile(`\d% \|[ \x{2588}]+\|`)

// Long work shows a bar on a terminal, and wipes it away at the end; elsewhere it writes nothing that only a terminal
// understands.
func TestLongWorkShowsABar(t *testing.T) {
	fleetFile := millStore(t, 8)
	for _, test := range []struct {
		args []string
		word string
	}{
		{[]string{"store", "verify", fleetFile}, "checking"},
		{[]string{"store", "compact", fleetFile}, "compacting"},
		{[]string{"store", "backup", filepath.Join(t.TempDir(), "copy.db"), fleetFile}, "checking the copy"},
	} {
		person, program := pseudoTerminal(t)
		c := exec.CommandContext(t.Context(), "ringwarden", test.args...)
		var said bytes.Buffer
		c.Stdout, c.Stderr = &said, program
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		program.Close()
		shown, _ := io.ReadAll(person) // ends with an error where the program's side closes
		if err := c.Wait(); err != nil {
			t.Fatalf("%v: %v\n%s", test.args, err, shown)
		}
		last := shown[bytes.LastIndexByte(bytes.TrimRight(shown, "\r"), '\r')+1:]
		if !strings.Contains(string(shown), test.word) || !drawn.Match(shown) || len(bytes.TrimSpace(last)) > 0 {
			t.Errorf("%v shows %q", test.args, shown)
		}
		if !strings.Contains(said.String(), "mill.db") && !strings.Contains(said.String(), "copy.db") {
			t.Errorf("%v says %q", test.args, said.String())
		}
	}

	c := exec.CommandContext(t.Context(), "ringwarden", "store", "verify", fleetFile)
	if out, err := c.CombinedOutput(); err != nil || bytes.ContainsAny(out, "\r\x1b\u2588") || bytes.Count(out, []byte("\n")) != 1 {
		t.Errorf("without a terminal: %q, %v", out, err)
	}
}

// What a check of a database tells of itself where no terminal is, by a clock that runs fast: lines, up to the end.
func TestLongWorkWithoutATerminal(t *testing.T) {
	f, err := fleet.Load(millStore(t, 3), nil)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	now := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	p := plainProgress(&out, "checking", fleet.Size, func() time.Time { now = now.Add(time.Second); return now })
	if _, err := store.VerifyFile(t.Context(), f.Store, p); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	for _, line := range lines {
		if !strings.HasPrefix(line, "checking: ") || !strings.Contains(line, " of ") {
			t.Errorf("a line says %q", line)
		}
	}
	if len(lines) < 10 {
		t.Errorf("only %d lines: %q", len(lines), lines)
	}
}
