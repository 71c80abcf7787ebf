package poller

import (
	"bytes"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"time"

	"github.com/simonvetter/modbus"

	"ringwarden/fleet"
)

// A client is one open connection to a device or gateway. It offers the four reads of the Modbus Application Protocol
// (function codes 01 to 04) and nothing else.
//
// The library's client can also write. Therefore it stays in this file, in an unexported field, as the concrete type:
// as long as no value of its type, nor of a type that holds it, is ever converted to an interface, the linker leaves
// its write methods out of the program. A test looks for them. This is also why a [port] is made of functions.
//
// A client is opened once, by [openClient], and closed once. The library leaks a descriptor when it is opened twice,
// and panics when it is read before it is open; neither can be said here.
type client struct {
	lib   *modbus.ModbusClient
	heard *hearing
}

// A hearing listens to the library's warnings. What comes with another protocol identifier or transaction than the request's
// is thrown away by the library, which waits on until the time-out, and tells of it there alone. (Where what comes begins
// like an answer and stops, or is shorter than its header, it tells of nothing: that cannot be told from silence.)
type hearing struct {
	next  io.Writer // passes on all
	stray bool      // something was thrown away since the last request began
}

// strayText is in the library's warnings about what it throws away.
var strayText = []byte("received unexpected ")

// Write takes a warning.
func (h *hearing) Write(b []byte) (int, error) {
	h.stray = h.stray || bytes.Contains(b, strayText)
	return h.next.Write(b)
}

// errBabble says that there was no answer in time, but something else.
var errBabble = errors.New("what came in time was no answer to the request")

// ended says what the end of a request means by what was heard while it lasted.
func (c *client) ended(err error) error {
	if c.heard.stray && errors.Is(err, modbus.ErrRequestTimedOut) {
		return errBabble
	}
	return err
}

// errNotOpen says that a client was used that nobody opened, or after its end.
var errNotOpen = errors.New("the connection is not open")

// address is where a connection leads: what is shared by all units behind one socket.
type address struct {
	host string // host:port
	tls  fleet.TLS
}

func (a address) secure() bool { return a.tls != fleet.TLS{} }

// openClient connects, and waits up to timeout for each answer later. The connecting itself takes as long as the
// library lets it: 5 s for TCP, 15 s for TLS, whatever timeout says, and nothing can cut it short.
func openClient(a address, timeout time.Duration, logger *log.Logger) (*client, error) {
	if logger == nil {
		logger = log.New(io.Discard, "", 0) // given none, the library writes to standard output
	}
	heard := &hearing{next: logger.Writer()}
	conf := modbus.ClientConfiguration{URL: "tcp://" + a.host, Timeout: timeout, Logger: log.New(heard, logger.Prefix(), logger.Flags())}
	if a.secure() {
		conf.URL = "tcp+tls://" + a.host
		if err := loadTLS(&conf, a.tls); err != nil {
			return nil, err
		}
	}
	lib, err := modbus.NewClient(&conf)
	if err != nil {
		return nil, fmt.Errorf("preparing a connection to %s: %w", a.host, err)
	}
	if err := lib.Open(); err != nil {
		return nil, fmt.Errorf("connecting: %w", err) // the error names the address
	}
	return &client{lib: lib, heard: heard}, nil
}

func loadTLS(conf *modbus.ClientConfiguration, files fleet.TLS) error {
	own, err := tls.LoadX509KeyPair(files.Certificate, files.Key)
	if err != nil {
		return fmt.Errorf("reading the client certificate %s and its key %s: %w", files.Certificate, files.Key, err)
	}
	roots, err := modbus.LoadCertPool(files.CA)
	if err != nil {
		return fmt.Errorf("reading the certificate that signs the device's: %w", err)
	}
	conf.TLSClientCert, conf.TLSRootCAs = &own, roots
	return nil
}

// bits reads coils (function code 01) or discrete inputs (02) of a unit.
func (c *client) bits(unit uint8, discrete bool, start, count uint16) ([]bool, error) {
	if c.lib == nil {
		return nil, errNotOpen
	}
	if err := c.lib.SetUnitId(unit); err != nil {
		return nil, err
	}
	c.heard.stray = false
	if discrete {
		bits, err := c.lib.ReadDiscreteInputs(start, count)
		return bits, c.ended(err)
	}
	bits, err := c.lib.ReadCoils(start, count)
	return bits, c.ended(err)
}

// words reads holding registers (function code 03) or input registers (04) of a unit.
func (c *client) words(unit uint8, input bool, start, count uint16) ([]uint16, error) {
	if c.lib == nil {
		return nil, errNotOpen
	}
	if err := c.lib.SetUnitId(unit); err != nil {
		return nil, err
	}
	kind := modbus.HOLDING_REGISTER
	if input {
		kind = modbus.INPUT_REGISTER
	}
	c.heard.stray = false
	words, err := c.lib.ReadRegisters(start, count, kind)
	return words, c.ended(err)
}

// close ends the connection; a second call does nothing.
func (c *client) close() {
	if c.lib != nil {
		_ = c.lib.Close() // the socket is gone whatever it says
		c.lib = nil
	}
}
