package modbusserver

import (
	"bytes"
	"encoding/binary"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"
)

// A script is a connection that gives what a client sent and keeps what it would receive.
type script struct {
	net.Conn
	in  bytes.Reader
	out bytes.Buffer
}

func (s *script) Read(b []byte) (int, error)       { return s.in.Read(b) }
func (s *script) Write(b []byte) (int, error)      { return s.out.Write(b) }
func (s *script) SetDeadline(time.Time) error      { return nil }
func (s *script) SetWriteDeadline(time.Time) error { return nil }
func (s *script) RemoteAddr() net.Addr             { return &net.TCPAddr{} }
func (s *script) Close() error                     { return nil }

func scripted(d Device, input []byte) (*conn, *script) {
	nc := &script{}
	nc.in.Reset(input)
	cfg := Config{Device: only(d), Idle: time.Minute, Logger: slog.New(slog.DiscardHandler)}
	return newConn(&server{Config: cfg}, nc), nc
}

// Whatever a client sends, the server neither panics nor sends anything but whole answers of the protocol.
func FuzzServe(f *testing.F) {
	f.Add(unhex(f, ask))
	f.Add(unhex(f, "0001 0001 0006 01 03 006B 0003"+ask))
	f.Add(unhex(f, "0001 0000 0002 01 2B 0002 0000 FFFF 01"))
	f.Fuzz(func(t *testing.T, input []byte) {
		c, nc := scripted(specification(), input)
		c.serve()
		for rest := nc.out.Bytes(); len(rest) > 0; {
			if len(rest) < 9 {
				t.Fatalf("answer cut short: % X", rest)
			}
			length := int(binary.BigEndian.Uint16(rest[4:]))
			refused, count := rest[7]&exceptionBit != 0, int(rest[8])
			whole := refused && length == 3 || !refused && rest[7] <= 4 && length == 3+count
			if binary.BigEndian.Uint16(rest[2:]) != 0 || !whole || len(rest) < prefixSize+length {
				t.Fatalf("answer % X is no answer of the protocol", rest)
			}
			rest = rest[prefixSize+length:]
		}
	})
}

// Two hundred ports at sixty times the speed leave no room for garbage.
func TestNoAllocationPerRequest(t *testing.T) {
	for name, request := range map[string]string{
		"registers": ask, "bits": "0001 0000 0006 01 01 0013 0013", "refused": "0001 0000 0006 01 03 0FFF 0003",
	} {
		nc := dial(t, start(t, Config{Device: only(specification())}))
		adu, reply := unhex(t, request), make([]byte, maxADU)
		allocs := testing.AllocsPerRun(1000, func() {
			if _, err := nc.Write(adu); err != nil {
				t.Fatal(err)
			}
			if n, err := nc.Read(reply); err != nil || n < 9 {
				t.Fatalf("%s: read = %d, %v", name, n, err)
			}
		})
		if allocs >= 1 {
			t.Errorf("%s: %v allocations a request, want none", name, allocs)
		}
	}
}

func BenchmarkServe(b *testing.B) {
	for _, c := range []struct{ name, request string }{
		{"registers=1", "0001 0000 0006 01 03 0000 0001"}, {"registers=125", "0001 0000 0006 01 03 0000 007D"},
	} {
		b.Run(c.name, func(b *testing.B) {
			nc := dial(b, start(b, Config{Device: only(&Tables{Holding: make([]uint16, 200)})}))
			if err := nc.SetDeadline(time.Time{}); err != nil {
				b.Fatal(err)
			}
			adu, reply := unhex(b, c.request), make([]byte, maxADU)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := nc.Write(adu); err != nil {
					b.Fatal(err)
				}
				if _, err := io.ReadAtLeast(nc, reply, 9); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
