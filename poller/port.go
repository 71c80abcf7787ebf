package poller

import (
	"io"
	"log"
	"time"
)

// A port is what the poll loop knows of an open connection. It is made of functions, not of an interface, so that the
// library's client is converted to none (see [client]); scheduling tests put their own functions here.
type port struct {
	bits    func(unit uint8, discrete bool, start, count uint16) ([]bool, error)
	words   func(unit uint8, input bool, start, count uint16) ([]uint16, error)
	close   func()
	timeout time.Duration // longest wait for one answer
}

// An opener connects to an address. It may take seconds and cannot be interrupted.
type opener func(a address, timeout time.Duration) (*port, error)

// openPort returns the opener of real connections. The library's own warnings go to logger; nil drops them.
func openPort(logger *log.Logger) opener {
	if logger == nil {
		logger = log.New(io.Discard, "", 0)
	}
	return func(a address, timeout time.Duration) (*port, error) {
		c, err := openClient(a, timeout, logger)
		if err != nil {
			return nil, err
		}
		return &port{bits: c.bits, words: c.words, close: c.close, timeout: timeout}, nil
	}
}
