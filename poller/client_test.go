package poller

import (
	"errors"
	"io"
	"os"
	"slices"
	"testing"
	"time"
)

// The library panics when it is read before it is open.
func TestClientRefusesReadsBeforeOpenAndAfterClose(t *testing.T) {
	s := newStation(t, func(r request) []byte { return registers(r, 7) }, nil)
	open, err := openClient(address{host: s.addr}, time.Second, nil)
	if err != nil {
		t.Fatal(err)
	}
	open.close()
	open.close()
	for name, c := range map[string]*client{"never opened": {}, "closed": open} {
		if _, err := c.words(1, false, 0, 1); !errors.Is(err, errNotOpen) {
			t.Errorf("%s: words = %v, want %v", name, err, errNotOpen)
		}
		if _, err := c.bits(1, false, 0, 1); !errors.Is(err, errNotOpen) {
			t.Errorf("%s: bits = %v, want %v", name, err, errNotOpen)
		}
		c.close()
	}
}

func TestOpenClientFails(t *testing.T) {
	s := newStation(t, nil, nil)
	s.close()
	if c, err := openClient(address{host: s.addr}, time.Second, nil); err == nil {
		c.close()
		t.Errorf("openClient of a closed port succeeded")
	}
}

// The library leaks a descriptor when it is opened twice.
func TestOpeningAgainLeaksNoDescriptor(t *testing.T) {
	s := newStation(t, func(r request) []byte { return registers(r, 7) }, nil)
	open := openPort(nil)
	round := func() {
		p, err := open(address{host: s.addr}, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.words(1, false, 0, 1); err != nil {
			t.Fatal(err)
		}
		p.close()
	}
	round()
	before := descriptors(t)
	for range 50 {
		round()
	}
	// The station's ends of the last connections may still be closing; a leak only grows.
	after := descriptors(t)
	for range 200 {
		round()
		after = min(after, descriptors(t))
	}
	if after > before+10 {
		t.Errorf("%d descriptors after 50 openings, %d before", after, before)
	}
}

func descriptors(t *testing.T) int {
	t.Helper()
	files, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("left out: counting open descriptors, which needs /proc")
	}
	return len(files)
}

// Given no logger, the library writes its warnings to standard output.
func TestClientIsSilentWithoutLogger(t *testing.T) {
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func(out *os.File) { os.Stdout = out }(os.Stdout)
	os.Stdout = write
	s := newStation(t, func(r request) []byte { return registers(r, 7) }, nil)
	x := newProxy(t, s.addr, time.Second, func([]byte) fault { return stale }, nil)
	p, err := openPort(nil)(address{host: x.addr}, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	if _, err := p.words(1, false, 0, 1); err != nil {
		t.Errorf("words after a stale answer: %v", err)
	}
	write.Close()
	if said, _ := io.ReadAll(read); len(said) > 0 {
		t.Errorf("standard output has %q", said)
	}
}

// Modbus Application Protocol V1.1b3, section 7, names exceptions 1 to 6, 8, 10 and 11. The others occur all the
// same; the library has nothing but a text for them.
func TestExceptionsLeaveTheConnectionGood(t *testing.T) {
	var code byte
	s := newStation(t, func(r request) []byte { return exception(r, code) }, nil)
	p, err := openPort(nil)(address{host: s.addr}, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	want := map[byte]verdict{2: hole, 5: later, 6: later, 10: nobody, 11: nobody}
	for c := range 256 {
		code = byte(c)
		_, err := p.words(1, false, 0, 1)
		v := judge(err)
		if w, ok := want[code]; ok && v != w || !ok && v != refusal {
			t.Errorf("exception %d: %v is judged %d, want %d", code, err, v, w)
		}
		if !v.keeps() || v.again() {
			t.Errorf("exception %d: keeps %v, again %v", code, v.keeps(), v.again())
		}
	}
	if n := s.connections(); n != 1 {
		t.Errorf("%d connections, want 1", n)
	}
}

// What each fault looks like from this side, as measured with this version of the library.
func TestVerdictOfFaults(t *testing.T) {
	want := map[fault]verdict{
		latency: data, slices1: data, stale: data, idle: data,
		cut: dropped, reset: dropped,
		half: mismatch, wrongUnit: mismatch, wrongFunction: mismatch, wrongCount: mismatch,
		lengthZero: mismatch, lengthHuge: mismatch,
		wrongProtocol: babble, staleOnly: babble,
		tail: silence, mute: silence, halfOpen: silence, late: silence,
	}
	for _, f := range allFaults {
		t.Run(string(f), func(t *testing.T) {
			t.Parallel()
			s := newStation(t, func(r request) []byte { return registers(r, 1, 2, 3, 4) }, nil)
			timeout := 400 * time.Millisecond
			x := newProxy(t, s.addr, timeout, onlyAt(2, f), nil)
			p, err := openPort(nil)(address{host: x.addr}, timeout)
			if err != nil {
				t.Fatal(err)
			}
			defer p.close()
			for i, w := range []verdict{data, want[f]} {
				words, err := p.words(1, false, 0, 4)
				if got := judge(err); got != w {
					t.Errorf("read %d: verdict %d (%v), want %d", i, got, err, w)
				}
				if err == nil && !slices.Equal(words, []uint16{1, 2, 3, 4}) {
					t.Errorf("read %d: %v", i, words)
				}
			}
		})
	}
}

// This is why the poller never uses a connection again after a time-out: were the library to mend this, the test
// would say so.
func TestStreamIsOutOfStepAfterTimeout(t *testing.T) {
	s := newStation(t, func(r request) []byte { return registers(r, 1, 2, 3, 4) }, nil)
	timeout := 200 * time.Millisecond
	x := newProxy(t, s.addr, timeout, onlyAt(1, tail), nil)
	p, err := openPort(nil)(address{host: x.addr}, timeout)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	for i := range 3 {
		words, err := p.words(1, false, 0, 4)
		if err == nil {
			t.Errorf("read %d after half an answer and a time-out: %v; the library used to fail here", i, words)
		}
		if judge(err).keeps() {
			t.Errorf("read %d: %v is judged harmless", i, err)
		}
	}
}
