package modbusserver

import (
	"errors"
	"syscall"
	"testing"
	"time"
)

// Each spoil is read by a bare connection, byte by byte.
func TestSpoil(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil Spoil
		want  string // before the answer to an unspoiled request that follows, unless the connection ends
		ends  bool
	}{
		{"none", Spoil{}, answer, false},
		{"silent", Spoil{Silent: true}, "", false},
		{"silent, then hang up", Spoil{Silent: true, Hangup: true}, "", true},
		{"hang up after the answer", Spoil{Hangup: true}, answer, true},
		{"half an answer, then hang up", Spoil{Truncate: 8, Hangup: true}, "0102 0000 0009 01", true},
		{"half an answer", Spoil{Truncate: 8}, "0102 0000 0009 01", false},
		{"cut to nothing", Spoil{Truncate: 99}, "", false},
		{"exception", Spoil{Exception: ServerDeviceBusy}, "0102 0000 0003 01 83 06", false},
		{"undefined exception", Spoil{Exception: 0x63}, "0102 0000 0003 01 83 63", false},
		{"transaction", Spoil{WrongTransaction: true}, "0101 0000 0009 01 03 06 022B 0000 0064", false},
		{"protocol", Spoil{WrongProtocol: true}, "0102 0001 0009 01 03 06 022B 0000 0064", false},
		{"length", Spoil{WrongLength: true}, "0102 0000 FFFF 01 03 06 022B 0000 0064", false},
		{"unit", Spoil{WrongUnit: true}, "0102 0000 0009 02 03 06 022B 0000 0064", false},
		{"function", Spoil{WrongFunction: true}, "0102 0000 0009 01 43 06 022B 0000 0064", false},
		{"count", Spoil{WrongCount: true}, "0102 0000 0009 01 03 08 022B 0000 0064", false},
		{"count of an exception", Spoil{WrongCount: true, Exception: 4}, "0102 0000 0003 01 83 04", false},
		{"garbage", Spoil{Garbage: []byte("rubbish")}, "72 75 62 62 69 73 68", false},
		{"two at once", Spoil{WrongUnit: true, WrongTransaction: true}, "0101 0000 0009 02 03 06 022B 0000 0064", false},
		{"slices", Spoil{Slice: 3, Gap: time.Millisecond}, answer, false},
		{"repeated", Spoil{Repeat: true}, answer + answer, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			seen := make(chan Request, 3)
			nc := dial(t, start(t, Config{Device: only(specification()), Spoil: func(r Request) Spoil {
				seen <- r
				if r.Function == ReadHoldingRegisters {
					return c.spoil
				}
				return Spoil{}
			}}))
			write(t, nc, ask)
			if c.ends {
				expect(t, nc, c.want)
				expectEnd(t, nc)
				return
			}
			write(t, nc, "0103 0000 0006 01 04 0008 0001 0104 0000 0006 01 04 0008 0001")
			expect(t, nc, c.want+"0103 0000 0005 01 04 02 000A 0104 0000 0005 01 04 02 000A")
			if want := (Request{Unit: 1, Function: 3, Start: 0x6B, Count: 3}); len(seen) != 3 || <-seen != want {
				t.Errorf("the first of three requests was not %v", want)
			}
		})
	}
}

func TestSpoilReset(t *testing.T) {
	nc := dial(t, start(t, Config{Device: only(specification()), Spoil: func(Request) Spoil { return Spoil{Reset: true} }}))
	write(t, nc, ask)
	if _, err := nc.Read(make([]byte, 1)); !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("read = %v, want a reset", err)
	}
}

func TestSpoilDelay(t *testing.T) {
	const delay = 30 * time.Millisecond
	nc := dial(t, start(t, Config{Device: only(specification()), Spoil: func(Request) Spoil { return Spoil{Delay: delay} }}))
	asked := time.Now()
	write(t, nc, ask)
	expect(t, nc, answer)
	if took := time.Since(asked); took < delay {
		t.Errorf("answer after %v, want no sooner than %v", took, delay)
	}
}

// The bytes of a slow answer come apart: the first one is there long before the last.
func TestSpoilSlice(t *testing.T) {
	const gap = 5 * time.Millisecond
	nc := dial(t, start(t, Config{Device: only(specification()), Spoil: func(Request) Spoil { return Spoil{Slice: 1, Gap: gap} }}))
	write(t, nc, ask)
	var largest int
	asked, buf := time.Now(), make([]byte, 300)
	for got := 0; got < 15; {
		n, err := nc.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		got, largest = got+n, max(largest, n)
	}
	if took := time.Since(asked); took < 14*gap || largest == 15 {
		t.Errorf("15 bytes took %v with at most %d in a read, want 14 gaps of %v", took, largest, gap)
	}
}

// Requests that are not served are seen as well, so that a test can tell that nobody wrote.
func TestSpoilSeesWhatIsNotServed(t *testing.T) {
	seen := make(chan Request, 2)
	nc := dial(t, start(t, Config{Device: only(specification()), Spoil: func(r Request) Spoil { seen <- r; return Spoil{} }}))
	write(t, nc, "0001 0000 0006 01 06 0001 0003 0002 0000 0002 01 2B")
	expect(t, nc, "0001 0000 0003 01 86 01 0002 0000 0003 01 AB 01")
	for _, want := range []Request{{Unit: 1, Function: 6, Start: 1, Count: 3}, {Unit: 1, Function: 0x2B}} {
		if got := <-seen; got != want {
			t.Errorf("seen %+v, want %+v", got, want)
		}
	}
}
