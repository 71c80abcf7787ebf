package poller

import (
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"testing"
	"time"
)

// Whatever bytes come back, nothing panics, and data is only what a well-formed answer to this very request holds.
func FuzzAnswer(f *testing.F) {
	// Answers to the first request of a connection (transaction 1, unit 1) for two holding registers: right, torn,
	// an exception (Modbus Application Protocol V1.1b3, 7), of another transaction, with a length of 0, rubbish.
	for _, seed := range [][]byte{
		{0, 1, 0, 0, 0, 7, 1, 3, 4, 0, 7, 0, 9},
		{0, 1, 0, 0, 0, 7, 1, 3, 4, 0},
		{0, 1, 0, 0, 0, 3, 1, 0x83, 2},
		{0, 9, 0, 0, 0, 7, 1, 3, 4, 0, 7, 0, 9, 0, 1, 0, 0, 0, 7, 1, 3, 4, 0, 8, 0, 9},
		{0, 1, 0, 0, 0, 0, 1, 3, 4},
		{0, 1, 0, 0, 0, 1, 1},
		{0, 1, 0, 0, 0, 2, 1, 3},
		{0, 1, 0, 0, 0, 3, 1, 3, 4},
		{0, 1, 0, 0, 255, 255, 1, 3},
		{},
		[]byte("HTTP/1.1 400 Bad Request"),
	} {
		f.Add(seed)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	answers := make(chan []byte)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for answer := range answers {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			if _, err := readADU(conn); err == nil {
				_, _ = conn.Write(answer)
				_ = conn.(*net.TCPConn).CloseWrite()
				_, _ = io.Copy(io.Discard, conn)
			}
			conn.Close()
		}
	}()
	f.Cleanup(func() {
		close(answers)
		listener.Close()
		<-done
	})
	open := openPort(nil)
	f.Fuzz(func(t *testing.T, answer []byte) {
		answers <- answer
		p, err := open(address{host: listener.Addr().String()}, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		defer p.close()
		words, err := p.words(1, false, 0, 2)
		if err != nil {
			judge(err)
			return
		}
		var want bytes.Buffer
		want.Write([]byte{0, 1, 0, 0, 0, 7, 1, 3, 4})
		for _, w := range words {
			want.Write(binary.BigEndian.AppendUint16(nil, w))
		}
		if len(words) != 2 || !bytes.Contains(answer, want.Bytes()) {
			t.Errorf("% x is read as %v", answer, words)
		}
	})
}
