package poller

import (
	"encoding/binary"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// A fault is what a [proxy] does to one answer. Where a fault changes bytes it changes the header or the shape, never
// the payload of a well-formed answer: Modbus TCP leaves that to the checksum of TCP, and nobody could notice.
type fault string

const (
	pass          fault = "pass"
	latency       fault = "latency"        // comes late, but in time
	slices1       fault = "slices"         // comes byte by byte
	cut           fault = "cut"            // FIN instead of an answer
	half          fault = "half"           // half of it, then FIN
	reset         fault = "reset"          // RST instead of an answer
	tail          fault = "tail"           // half of it, the rest after the time-out: the stream is out of step from here on
	garbage       fault = "garbage"        // rubbish instead of an answer
	wrongUnit     fault = "wrong-unit"     // another unit's
	wrongFunction fault = "wrong-function" // to another function
	wrongCount    fault = "wrong-count"    // its byte count is off by two
	lengthZero    fault = "length-0"       // length field 0
	lengthHuge    fault = "length-65535"   // length field 65535
	wrongProtocol fault = "wrong-protocol" // protocol identifier not 0
	stale         fault = "stale"          // the answer before, with its old transaction id, and then this one
	staleOnly     fault = "stale-only"     // the answer before, and nothing else
	mute          fault = "mute"           // no answer
	halfOpen      fault = "half-open"      // nothing comes through any more, and no end either
	late          fault = "late"           // comes after the time-out
	idle          fault = "idle"           // comes as it should; then the idle connection is closed
)

// intact reports whether the answer itself arrives whole and in time.
func (f fault) intact() bool { return slices.Contains([]fault{pass, latency, slices1, stale, idle}, f) }

// allFaults leaves out garbage, which ends one way or the other depending on what its bytes say.
var allFaults = []fault{
	latency, slices1, cut, half, reset, tail, wrongUnit, wrongFunction, wrongCount, lengthZero, lengthHuge,
	wrongProtocol, stale, staleOnly, mute, halfOpen, late, idle,
}

// onlyAt is a plan that spoils the n-th answer, counted from 1.
func onlyAt(n int64, f fault) func([]byte) fault {
	var answers atomic.Int64
	return func([]byte) fault {
		if answers.Add(1) == n {
			return f
		}
		return pass
	}
}

// A proxy stands between the poller and a station. It knows Modbus TCP: it takes the answers apart into frames and
// asks its plan what to do with each.
type proxy struct {
	addr    string
	to      string
	timeout time.Duration                           // the poller's
	plan    func(answer []byte) fault               // called from several goroutines
	passed  func(answer []byte, took time.Duration) // if set: sees answers that went through whole
	ctl     chan struct{}                           // closed at the end
	done    sync.WaitGroup
	ln      net.Listener

	mu    sync.Mutex
	conns map[net.Conn]bool
}

// newProxy listens on a free port until the test ends.
func newProxy(t testing.TB, to string, timeout time.Duration, plan func([]byte) fault, passed func([]byte, time.Duration)) *proxy {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{
		addr: ln.Addr().String(), to: to, timeout: timeout, plan: plan, passed: passed,
		ctl: make(chan struct{}), ln: ln, conns: make(map[net.Conn]bool),
	}
	p.done.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

func (p *proxy) close() {
	p.ln.Close()
	close(p.ctl)
	p.mu.Lock()
	for c := range p.conns {
		c.Close()
	}
	p.mu.Unlock()
	p.done.Wait()
}

func (p *proxy) accept() {
	for {
		client, err := p.ln.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", p.to)
		if err != nil {
			client.Close()
			continue
		}
		p.mu.Lock()
		p.conns[client], p.conns[server] = true, true
		p.mu.Unlock()
		link := &proxyLink{proxy: p, client: client, server: server}
		p.done.Go(link.requests)
		p.done.Go(link.answers)
	}
}

// A proxyLink is one connection through a proxy.
type proxyLink struct {
	proxy          *proxy
	client, server net.Conn
	mu             sync.Mutex
	asked          time.Time // when the last request came by
	dead           bool      // half-open: nothing passes any more
}

func (l *proxyLink) end() {
	l.client.Close()
	l.server.Close()
	l.proxy.mu.Lock()
	delete(l.proxy.conns, l.client)
	delete(l.proxy.conns, l.server)
	l.proxy.mu.Unlock()
}

// requests carries requests to the server.
func (l *proxyLink) requests() {
	defer l.end()
	for {
		frame, err := readADU(l.client)
		if err != nil {
			return
		}
		l.mu.Lock()
		l.asked = time.Now()
		dead := l.dead
		l.mu.Unlock()
		if dead {
			continue
		}
		if _, err := l.server.Write(frame); err != nil {
			return
		}
	}
}

// answers carries answers back, each with its fault.
func (l *proxyLink) answers() {
	defer l.end()
	var before []byte
	for {
		frame, err := readADU(l.server)
		if err != nil {
			return
		}
		l.mu.Lock()
		asked := l.asked
		l.mu.Unlock()
		f := l.proxy.plan(frame)
		if !l.spoil(f, frame, before) {
			return
		}
		if f.intact() && l.proxy.passed != nil {
			l.proxy.passed(frame, time.Since(asked))
		}
		if f == idle {
			return
		}
		before = frame
	}
}

// wait waits, or less if the test ends.
func (l *proxyLink) wait(d time.Duration) {
	select {
	case <-time.After(d):
	case <-l.proxy.ctl:
	}
}

// spoil sends an answer with its fault, and reports whether the connection goes on.
func (l *proxyLink) spoil(f fault, frame, before []byte) bool {
	bad := slices.Clone(frame)
	out := [][]byte{bad}
	on := true
	switch f {
	case latency:
		l.wait(l.proxy.timeout / 8)
	case late:
		l.wait(l.proxy.timeout + l.proxy.timeout/4)
	case slices1:
		out = slices.Collect(slices.Chunk(bad, 1))
	case cut:
		return false
	case half:
		out, on = [][]byte{bad[:len(bad)/2]}, false
	case reset:
		_ = l.client.(*net.TCPConn).SetLinger(0)
		return false
	case tail:
		if _, err := l.client.Write(bad[:len(bad)/2]); err != nil {
			return false
		}
		out = [][]byte{bad[len(bad)/2:]}
		l.wait(l.proxy.timeout + l.proxy.timeout/4)
	case garbage:
		for i := range bad {
			bad[i] = byte(rand.IntN(256))
		}
	case stale, staleOnly:
		out = out[:0]
		if before == nil { // nothing before: an answer to a question that nobody asked
			before = slices.Clone(frame)
			binary.BigEndian.PutUint16(before, binary.BigEndian.Uint16(frame)-1)
		}
		out = append(out, before)
		if f == stale {
			out = append(out, frame)
		}
	case mute:
		return true
	case halfOpen:
		l.mu.Lock()
		l.dead = true
		l.mu.Unlock()
		return true
	default:
		distort(f, bad)
	}
	for _, b := range out {
		if _, err := l.client.Write(b); err != nil {
			return false
		}
	}
	return on
}

// distort changes the header or the shape of an answer.
func distort(f fault, frame []byte) {
	switch f {
	case wrongUnit:
		frame[6]++
	case wrongFunction:
		frame[7] ^= 0x07
	case wrongCount:
		frame[8] -= 2
	case lengthZero:
		binary.BigEndian.PutUint16(frame[4:], 0)
	case lengthHuge:
		binary.BigEndian.PutUint16(frame[4:], 0xffff)
	case wrongProtocol:
		frame[2] = 1
	}
}

// reads reports whether the poller can still get a reading at the instant of the fault: from the answer itself, or
// by one more try.
func (f fault) reads() bool {
	return !slices.Contains([]fault{tail, wrongProtocol, staleOnly, mute, halfOpen, late}, f)
}
