// Package modbusserver is a small Modbus TCP server whose answers can be spoiled.
//
// It serves the four read functions and nothing else, one [Device] for each unit identifier. A [Config] may carry a
// function that says, request by request, how the answer shall go wrong: late, never, cut short, in slices, for
// another transaction or unit, with an exception, as rubbish ([Spoil]). A [Gate] shuts many servers at once, as when
// a site loses its network.
//
// Framing and limits are those of the Modbus Messaging on TCP/IP Implementation Guide V1.0b; functions, limits and
// the order of checks those of the Modbus Application Protocol Specification V1.1b3: function (exception 1), quantity
// (3), address (2), execution (4).
//
// Memory is bounded: a connection holds about 4 KiB, [Config.MaxConns] bounds their number, and a connection answers
// its requests one after another, so what a client sends ahead waits in its socket. Serving a request allocates
// nothing.
//
// It does no access control, no TLS and no write function, and it is meant for loopback.
package modbusserver

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"syscall"
	"time"
)

// The functions that are served (Modbus Application Protocol V1.1b3, 6.1 to 6.4).
const (
	ReadCoils            uint8 = 1
	ReadDiscreteInputs   uint8 = 2
	ReadHoldingRegisters uint8 = 3
	ReadInputRegisters   uint8 = 4
)

// The most that one request may ask for (Modbus Application Protocol V1.1b3, 6.1 and 6.3).
const (
	MaxBits      = 2000
	MaxRegisters = 125
)

// A Request is one question as it came over the wire.
type Request struct {
	Unit     uint8
	Function uint8 // any; only 1 to 4 are served
	// Start and Count are what the four read functions ask for; 0 where the request is too short to say.
	Start, Count uint16
}

// A Device answers for one unit. Its methods are called from several goroutines, one for each connection.
//
// They fill all of dst, which has count elements and is only theirs during the call. Count is within the limits of
// the protocol and start+count does not pass 65536. An [Exception] is answered as it is; any other error as
// [ServerDeviceFailure].
type Device interface {
	ReadRegisters(function uint8, start, count uint16, dst []uint16) error // function 3 or 4
	ReadBits(function uint8, start, count uint16, dst []bool) error        // function 1 or 2
}

// Config says whom a server answers for and how it treats its connections.
type Config struct {
	// Device returns the device of a unit, and false where there is none. It must not block.
	Device func(unit uint8) (Device, bool)
	// Gateway makes requests for an unknown unit fail with [GatewayTargetFailed], as a gateway does whose serial
	// line stays silent; else they get no answer.
	Gateway bool
	// Spoil says how the answer to a request is spoiled. It sees every request that is framed well, also those that
	// are not served, before the device does, and is called from several goroutines. Nil: none is spoiled.
	Spoil func(Request) Spoil
	// Gate can shut this server together with others. Nil: it is always open.
	Gate *Gate
	// MaxConns bounds the connections open at a time. One more is accepted and reset at once, as small devices do.
	// 0: 64.
	MaxConns int
	// Idle is how long a connection may send no whole request, or take no answer, before it is closed. 0: 5 minutes.
	Idle   time.Duration
	Logger *slog.Logger // nil: silent
}

// Serve answers requests on ln until ctx is done. It owns ln and every connection: when it returns, all are closed
// and every goroutine has ended. It returns nil on cancellation and the error where ln cannot accept any more.
func Serve(ctx context.Context, ln net.Listener, cfg Config) error {
	if cfg.MaxConns <= 0 {
		cfg.MaxConns = 64
	}
	if cfg.Idle <= 0 {
		cfg.Idle = 5 * time.Minute
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	ctx, cancel := context.WithCancel(ctx)
	s := &server{Config: cfg, done: ctx.Done(), conns: map[net.Conn]struct{}{}}
	cfg.Gate.join(s)
	defer cfg.Gate.leave(s)

	var wg sync.WaitGroup
	wg.Go(func() {
		<-ctx.Done()
		ln.Close()
		s.shut(true)
	})
	err := s.accept(ln, &wg)
	if ctx.Err() != nil {
		err = nil
	}
	cancel()
	wg.Wait()
	return err
}

type server struct {
	Config
	done <-chan struct{}

	mu     sync.Mutex
	closed bool                  // no connection is let in
	conns  map[net.Conn]struct{} // at most MaxConns
}

// accept takes connections, each served by a goroutine of wg, until the listener is closed.
func (s *server) accept(ln net.Listener, wg *sync.WaitGroup) error {
	for {
		nc, err := ln.Accept()
		switch {
		case err == nil:
		case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE), errors.Is(err, syscall.ECONNABORTED):
			// Someone else's shortage may pass.
			s.Logger.Warn("accepting a connection; trying again", "address", ln.Addr(), "err", err)
			if !s.pause(100 * time.Millisecond) {
				return nil
			}
			continue
		default:
			return fmt.Errorf("accepting connections on %s: %w", ln.Addr(), err)
		}
		if !s.admit(nc) {
			reset(nc)
			continue
		}
		wg.Go(func() {
			defer s.dismiss(nc)
			newConn(s, nc).serve()
		})
	}
}

// pause waits, and reports whether the server still runs.
func (s *server) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-s.done:
		return false
	}
}

func (s *server) admit(nc net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case <-s.done: // a gate that opens now must not let in what nobody would close
		return false
	default:
	}
	if s.closed || len(s.conns) >= s.MaxConns {
		return false
	}
	s.conns[nc] = struct{}{}
	return true
}

func (s *server) dismiss(nc net.Conn) {
	nc.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.conns, nc)
}

// shut lets connections in or, if closed, resets those that are open and every later one.
func (s *server) shut(closed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = closed
	if closed {
		for nc := range s.conns {
			reset(nc)
		}
	}
}

// reset closes a connection so that the other end learns it at once, even with data under way.
func reset(nc net.Conn) {
	if tcp, ok := nc.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0) // where it fails, an ordinary close will do
	}
	nc.Close()
}
