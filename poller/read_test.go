package poller

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// Reading one device once shows each value beside the registers that it came from.
func TestRead(t *testing.T) {
	m := mapOf(t, tenRegisters+`
  relay: {at: coil 7, type: bit, poll: slow}
`)
	s := newStation(t, func(r request) []byte {
		if r.function == 1 {
			return coils(r, 1)
		}
		if r.start <= 105 && r.start+r.count > 105 {
			return exception(r, 2)
		}
		words := make([]uint16, r.count)
		for i := range words {
			words[i] = r.start + uint16(i)
		}
		return registers(r, words...)
	}, nil)
	readings, err := Read(t.Context(), Config{Timeout: testTimeout}, Device{ID: "mill/north/alder", Host: s.addr, Unit: 1, Map: m})
	if err != nil {
		t.Fatal(err)
	}
	if len(readings) != 2 {
		t.Fatalf("%d groups, want fast and slow", len(readings))
	}
	fast, slow := readings[0], readings[1]
	if fast.Frame.Outcome != fleet.Answered || len(fast.Unreadable) != 1 || fast.Unreadable[0] != "p5" {
		t.Errorf("fast group: %s, unreadable %v", fast.Frame.Outcome, fast.Unreadable)
	}
	words := 0
	for _, r := range fast.Replies {
		words += len(r.Words)
		if (r.Err == nil) != (len(r.Words) == int(r.Block.Count)) {
			t.Errorf("reply %+v", r)
		}
	}
	if words != 9 {
		t.Errorf("%d registers beside the nine values", words)
	}
	if v := slow.Frame.Values[0]; v.Raw != 1 || v.Quality != fleet.Good || len(slow.Replies) != 1 || !slow.Replies[0].Bits[0] {
		t.Errorf("slow group: %+v", slow)
	}
	if n := s.connections(); n != 1 {
		t.Errorf("%d connections, want 1", n)
	}
}

func TestReadTellsWhy(t *testing.T) {
	closed := newStation(t, nil, nil)
	closed.close()
	silent := newStation(t, func(request) []byte { return nil }, nil)
	refusing := newStation(t, func(r request) []byte { return exception(r, 1) }, nil)
	m := mapOf(t, tenRegisters)
	for _, c := range []struct{ name, host, says string }{
		{"closed port", closed.addr, "connection refused"},
		{"silent device", silent.addr, "request timed out"},
		{"refusing device", refusing.addr, "illegal function"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Read(t.Context(), Config{Timeout: 200 * time.Millisecond}, Device{ID: "mill/north/alder", Host: c.host, Unit: 3, Map: m})
			if err == nil || strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q, want one line", err)
			}
			for _, want := range []string{"mill/north/alder", c.host, "unit 3", c.says} {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q does not say %q", err, want)
				}
			}
		})
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Read(ended, Config{}, Device{Host: silent.addr, Map: m}); !errors.Is(err, context.Canceled) {
		t.Errorf("Read with an ended context: %v", err)
	}
}
