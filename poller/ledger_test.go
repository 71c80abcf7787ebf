package poller

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"strings"
	"sync"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A ledger makes the answers of a device so that each reading can be told from all others and followed: every answer
// carries a new number and a check over that number and the question. What the frames say is held against it.
type ledger struct {
	timeout time.Duration        // of the poller
	upset   func(request) []byte // if it returns a PDU, that is the answer

	mu     sync.Mutex
	issued map[string]*issue // by token
	number uint16
}

// An issue is one answer that was made.
type issue struct {
	unit  byte
	start uint16
	at    time.Time
	whole bool // it reached the poller as it was, and well in time
	read  int  // frames that have it
}

func newLedger(timeout time.Duration) *ledger {
	return &ledger{timeout: timeout, issued: make(map[string]*issue)}
}

// ledgerBlocks are the requests of the ledger's map: one or two in each group, all four tables.
var ledgerBlocks = []struct {
	name  string
	table registermap.Table
	start uint16
	group fleet.Group
}{
	{"holding_a", registermap.Holding, 0, fleet.Fast},
	{"input_a", registermap.Inputs, 100, fleet.Fast},
	{"coil", registermap.Coils, 200, fleet.Normal},
	{"discrete", registermap.Discretes, 300, fleet.Normal},
	{"holding_b", registermap.Holding, 400, fleet.Normal},
	{"input_b", registermap.Inputs, 500, fleet.Slow},
}

// ledgerMap describes the ledger's device: in each block 16 bits of number and 16 of check, as two registers or as 32
// single bits.
func ledgerMap(t testing.TB) *registermap.Map {
	var b strings.Builder
	b.WriteString("format: 1\nmodel: ledger\nreads: {bridge: 0}\npoints:\n")
	for _, k := range ledgerBlocks {
		parts, kind := 2, "u16"
		if k.table.Bits() {
			parts, kind = 32, "bit"
		}
		for i := range parts {
			fmt.Fprintf(&b, "  %s_%d: {at: %s %d, type: %s, poll: %s}\n", k.name, i, k.table, int(k.start)+i, kind, k.group)
		}
	}
	return mapOf(t, b.String())
}

func token(function, unit byte, start, number, check uint16) string {
	return fmt.Sprintf("%d/%d/%d/%d/%d", function, unit, start, number, check)
}

func checkOf(function, unit byte, start, number uint16) uint16 {
	h := fnv.New32a()
	fmt.Fprint(h, function, unit, start, number)
	return uint16(h.Sum32())
}

// reply answers a request, and enters the answer.
func (l *ledger) reply(r request) []byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.upset != nil {
		if pdu := l.upset(r); pdu != nil {
			return pdu
		}
	}
	l.number++
	check := checkOf(r.function, r.unit, r.start, l.number)
	l.issued[token(r.function, r.unit, r.start, l.number, check)] = &issue{unit: r.unit, start: r.start, at: time.Now()}
	if r.function <= 2 {
		return coils(r, uint64(check)<<16|uint64(l.number))
	}
	return registers(r, l.number, check)
}

// passed takes note that an answer went to the poller whole.
func (l *ledger) passed(frame []byte, took time.Duration) {
	if frame[7] >= 0x80 || took > l.timeout/2 {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	bytes := binary.BigEndian.Uint16(frame[9:])
	if frame[7] <= 2 {
		bytes = binary.LittleEndian.Uint16(frame[9:])
	}
	for _, k := range ledgerBlocks {
		if k.table.Function() != frame[7] {
			continue
		}
		if i := l.issued[token(frame[7], frame[6], k.start, bytes, checkOf(frame[7], frame[6], k.start, bytes))]; i != nil {
			i.whole = true
		}
	}
}

// audit holds all frames of a unit against the ledger: each reading is one that was issued for this unit, block and
// poll, and is in no other frame; each answer that went through is in a frame.
func (l *ledger) audit(t *testing.T, unit byte, frames []*fleet.Frame) (readings int) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, f := range frames {
		if f.Outcome == fleet.Answered {
			readings += l.auditFrame(t, unit, f)
		}
	}
	for key, i := range l.issued {
		if i.unit == unit && i.whole && i.read != 1 {
			t.Errorf("answer %s went through and is in %d frames", key, i.read)
		}
	}
	return readings
}

func (l *ledger) auditFrame(t *testing.T, unit byte, f *fleet.Frame) (readings int) {
	t.Helper()
	for _, k := range ledgerBlocks {
		if k.group != f.Group {
			continue
		}
		number, check, ok := readBlock(t, f, k.name, k.table.Bits())
		if !ok {
			continue
		}
		readings++
		i := l.issued[token(k.table.Function(), unit, k.start, number, check)]
		if i == nil {
			t.Errorf("%s at %v: %s reads %d with check %d, which nobody answered", f.Controller, f.At, k.name, number, check)
			continue
		}
		i.read++
		from, to := f.At.Add(f.Late), f.Arrived()
		if i.at.Before(from.Add(-time.Millisecond)) || i.at.After(to.Add(time.Millisecond)) {
			t.Errorf("%s at %v: %s was answered at %v, outside its poll from %v to %v", f.Controller, f.At, k.name, i.at, from, to)
		}
	}
	return readings
}

// readBlock puts a block's number and check together again. A block is read as a whole or not at all.
func readBlock(t *testing.T, f *fleet.Frame, name string, bits bool) (number, check uint16, ok bool) {
	t.Helper()
	parts, width := 2, 16
	if bits {
		parts, width = 32, 1
	}
	all, good := uint32(0), 0
	for i := range parts {
		at, _ := f.Layout.Named(fmt.Sprintf("%s_%d", name, i))
		v := f.Values[at]
		if v.Quality == fleet.Good {
			good++
		} else if v.Quality != fleet.Missing {
			t.Errorf("%s at %v: %s_%d is %s", f.Controller, f.At, name, i, v.Quality)
		}
		all |= uint32(v.Raw) << (i * width)
	}
	if good != 0 && good != parts {
		t.Errorf("%s at %v: %d of %d parts of %s", f.Controller, f.At, good, parts, name)
	}
	return uint16(all), uint16(all >> 16), good == parts
}
