package poller

import (
	"crypto/tls"
	"encoding/binary"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"time"
)

// A station is a Modbus TCP server for tests. It records every request, whatever its function code, and answers with
// what its reply says. A device of these tests answers each request with a new sequence number (see [sequence]).
type station struct {
	addr  string
	reply func(request) []byte // the PDU; nil: no answer

	listener net.Listener
	done     sync.WaitGroup
	mu       sync.Mutex
	requests []request
	conns    map[net.Conn]bool
	accepted int
}

// A request is one as it came over the wire (Modbus Messaging on TCP/IP V1.0b, 3.1.3).
type request struct {
	at       time.Time
	unit     byte
	function byte
	start    uint16
	count    uint16
}

const headerLength = 7

// newStation serves on a free port of the loopback until the test ends. With config it speaks TLS.
func newStation(t testing.TB, reply func(request) []byte, config *tls.Config) *station {
	t.Helper()
	return newStationAt(t, "127.0.0.1:0", reply, config)
}

func newStationAt(t testing.TB, addr string, reply func(request) []byte, config *tls.Config) *station {
	t.Helper()
	listener, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	s := serveStation(listener, reply, config)
	t.Cleanup(s.close)
	return s
}

// serveStation serves until close.
func serveStation(listener net.Listener, reply func(request) []byte, config *tls.Config) *station {
	s := &station{addr: listener.Addr().String(), reply: reply, conns: make(map[net.Conn]bool)}
	if config != nil {
		listener = tls.NewListener(listener, config)
	}
	s.listener = listener
	s.done.Go(s.accept)
	return s
}

func (s *station) accept() {
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		s.conns[conn] = true
		s.accepted++
		s.mu.Unlock()
		s.done.Go(func() {
			s.serve(conn)
			conn.Close()
			s.mu.Lock()
			delete(s.conns, conn)
			s.mu.Unlock()
		})
	}
}

// serve answers one connection until it ends.
func (s *station) serve(conn net.Conn) {
	for {
		frame, err := readADU(conn)
		if err != nil {
			return
		}
		r := request{at: time.Now(), unit: frame[6], function: frame[7]}
		if len(frame) >= 12 {
			r.start, r.count = binary.BigEndian.Uint16(frame[8:]), binary.BigEndian.Uint16(frame[10:])
		}
		s.mu.Lock()
		s.requests = append(s.requests, r)
		s.mu.Unlock()
		pdu := s.reply(r)
		if pdu == nil {
			continue
		}
		if _, err := conn.Write(answerADU(frame, pdu)); err != nil {
			return
		}
	}
}

// close ends all connections and waits for their goroutines.
func (s *station) close() {
	s.listener.Close()
	s.hangUp()
	s.done.Wait()
}

// hangUp closes the connections that are open now.
func (s *station) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.conns {
		c.Close()
	}
}

// connections returns how many connections were ever accepted.
func (s *station) connections() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.accepted
}

// readADU reads one whole frame by its length field.
func readADU(r io.Reader) ([]byte, error) {
	frame := make([]byte, 260)
	if _, err := io.ReadFull(r, frame[:headerLength]); err != nil {
		return nil, err
	}
	length := int(binary.BigEndian.Uint16(frame[4:]))
	if length < 2 || length > 254 {
		return nil, io.ErrUnexpectedEOF
	}
	if _, err := io.ReadFull(r, frame[headerLength:6+length]); err != nil {
		return nil, err
	}
	return frame[:6+length], nil
}

// answerADU puts the header of a request's answer before a PDU.
func answerADU(request, pdu []byte) []byte {
	out := slices.Concat(request[:headerLength], pdu)
	binary.BigEndian.PutUint16(out[4:], uint16(1+len(pdu)))
	return out
}

// exception returns the PDU of an exception (Modbus Application Protocol V1.1b3, 7).
func exception(r request, code byte) []byte { return []byte{r.function | 0x80, code} }

// registers returns the PDU that answers function 03 or 04.
func registers(r request, words ...uint16) []byte {
	pdu := []byte{r.function, byte(2 * r.count)}
	for i := range int(r.count) {
		var w uint16
		if i < len(words) {
			w = words[i]
		}
		pdu = binary.BigEndian.AppendUint16(pdu, w)
	}
	return pdu
}

// seen returns the requests so far.
func (s *station) seen() []request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.requests)
}

// coils returns the PDU that answers function 01 or 02 from the low bits of n.
func coils(r request, n uint64) []byte {
	size := (int(r.count) + 7) / 8
	pdu := []byte{r.function, byte(size)}
	for i := range size {
		pdu = append(pdu, byte(n>>(8*i)))
	}
	if spare := size*8 - int(r.count); spare > 0 {
		pdu[len(pdu)-1] &= 0xff >> spare
	}
	return pdu
}
