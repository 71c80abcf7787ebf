package modbusserver

import (
	"bufio"
	"encoding/binary"
	"errors"
	"net"
	"time"
)

// Sizes in bytes (Modbus Messaging on TCP/IP V1.0b, 3.1.3; Modbus Application Protocol V1.1b3, 4.1).
const (
	prefixSize = 6   // transaction, protocol and length: what the length field does not count
	headerSize = 7   // with the unit identifier
	maxADU     = 260 // a header and a PDU of at most 253
	readPDU    = 5   // function, start, count
)

const exceptionBit = 0x80

// errFraming means that the next request cannot be found in the stream any more.
var errFraming = errors.New("length field outside 2 to 254")

// A conn is one client's connection: requests in, answers out, one after another.
type conn struct {
	*server
	nc     net.Conn
	in     *bufio.Reader
	out    [maxADU]byte
	repeat []byte // an answer that is sent again before the next one; empty: none
	regs   [MaxRegisters]uint16
	bits   [MaxBits]bool
}

func newConn(s *server, nc net.Conn) *conn {
	// Room for a whole request is needed, room for a second one saves reads where requests are sent ahead.
	return &conn{server: s, nc: nc, in: bufio.NewReaderSize(nc, 2*maxADU)}
}

// serve answers until the client goes, breaks the framing, stays idle, or the server ends.
func (c *conn) serve() {
	for {
		if err := c.nc.SetDeadline(time.Now().Add(c.Idle)); err != nil {
			return // closed by the server
		}
		adu, err := c.next()
		if err != nil {
			if errors.Is(err, errFraming) {
				c.Logger.Debug("closing a connection", "from", c.nc.RemoteAddr(), "err", err)
			}
			return
		}
		ours := binary.BigEndian.Uint16(adu[2:]) == 0 // another protocol is discarded: V1.0b, 4.4.2.2
		if ours && !c.handle(adu) {
			return
		}
		if _, err := c.in.Discard(len(adu)); err != nil {
			return
		}
	}
}

// next returns the next whole request, header included, which stays in the buffer. A request may come in several
// segments, and several in one: only the length field says where it ends.
func (c *conn) next() ([]byte, error) {
	prefix, err := c.in.Peek(prefixSize)
	if err != nil {
		return nil, err
	}
	length := int(binary.BigEndian.Uint16(prefix[4:]))
	if length < 2 || prefixSize+length > maxADU {
		return nil, errFraming
	}
	return c.in.Peek(prefixSize + length)
}

// handle answers one request and reports whether the connection stays open.
func (c *conn) handle(adu []byte) bool {
	pdu := adu[headerSize:]
	req := Request{Unit: adu[6], Function: pdu[0]}
	if len(pdu) >= readPDU {
		req.Start, req.Count = binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	}
	var spoil Spoil
	if c.Spoil != nil {
		spoil = c.Spoil(req)
	}
	if spoil.Delay > 0 && !c.wait(spoil.Delay) {
		return false
	}
	if spoil.Silent {
		return !spoil.Hangup
	}
	if spoil.Reset {
		reset(c.nc)
		return false
	}
	size, answered := c.execute(req, len(pdu), spoil.Exception)
	if !answered {
		return !spoil.Hangup
	}
	copy(c.out[:4], adu[:4]) // transaction and protocol identifier go back as they came
	binary.BigEndian.PutUint16(c.out[4:], uint16(1+size))
	c.out[6] = req.Unit
	return c.send(c.out[:headerSize+size], &spoil)
}

// execute puts the answer's PDU into c.out and returns its size; false: there is no answer.
func (c *conn) execute(req Request, pduSize int, refuse Exception) (int, bool) {
	device, known := c.Device(req.Unit)
	if !known && !c.Gateway {
		return 0, false
	}
	size, err := 0, error(nil)
	switch {
	case refuse != 0:
		err = refuse
	case !known:
		err = GatewayTargetFailed
	default:
		size, err = c.read(device, req, pduSize)
	}
	c.out[7] = req.Function
	if err == nil {
		return size, true
	}
	code, ok := errors.AsType[Exception](err)
	if !ok {
		code = ServerDeviceFailure
		c.Logger.Debug("refusing a request", "unit", req.Unit, "function", req.Function, "start", req.Start, "err", err)
	}
	c.out[7] |= exceptionBit
	c.out[8] = byte(code)
	return 2, true
}

// read checks a request in the order of the specification (V1.1b3, figures 11 to 14) and lets the device answer it.
func (c *conn) read(device Device, req Request, pduSize int) (int, error) {
	limit := uint16(MaxRegisters)
	switch req.Function {
	case ReadCoils, ReadDiscreteInputs:
		limit = MaxBits
	case ReadHoldingRegisters, ReadInputRegisters:
	default:
		return 0, IllegalFunction
	}
	if pduSize != readPDU || req.Count < 1 || req.Count > limit {
		return 0, IllegalDataValue
	}
	if int(req.Start)+int(req.Count) > 1<<16 {
		return 0, IllegalDataAddress
	}
	if limit == MaxBits {
		return c.readBits(device, req)
	}
	return c.readRegisters(device, req)
}

func (c *conn) readRegisters(device Device, req Request) (int, error) {
	regs := c.regs[:req.Count]
	clear(regs) // what a device forgets to fill must not be another unit's
	if err := device.ReadRegisters(req.Function, req.Start, req.Count, regs); err != nil {
		return 0, err
	}
	c.out[8] = byte(2 * len(regs))
	for i, r := range regs {
		binary.BigEndian.PutUint16(c.out[9+2*i:], r)
	}
	return 2 + 2*len(regs), nil
}

// readBits packs the bits, first one lowest, and fills up the last byte with zeros (V1.1b3, 6.1).
func (c *conn) readBits(device Device, req Request) (int, error) {
	bits := c.bits[:req.Count]
	clear(bits)
	if err := device.ReadBits(req.Function, req.Start, req.Count, bits); err != nil {
		return 0, err
	}
	size := (len(bits) + 7) / 8
	c.out[8] = byte(size)
	packed := c.out[9 : 9+size]
	clear(packed)
	for i, bit := range bits {
		if bit {
			packed[i/8] |= 1 << (i % 8)
		}
	}
	return 2 + size, nil
}

// send writes an answer as it is spoiled and reports whether the connection stays open.
func (c *conn) send(adu []byte, spoil *Spoil) bool {
	spoil.mar(adu)
	if spoil.Garbage != nil {
		adu = spoil.Garbage
	}
	adu = adu[:len(adu)-min(max(spoil.Truncate, 0), len(adu))]
	if len(c.repeat) > 0 {
		if _, err := c.nc.Write(c.repeat); err != nil {
			return false
		}
		c.repeat = c.repeat[:0]
	}
	if spoil.Repeat {
		c.repeat = append(c.repeat, adu...)
	}
	return c.write(adu, spoil.Slice, spoil.Gap) && !spoil.Hangup
}

// write sends bytes in slices, or in one piece so that they make one segment (V1.0b, 4.4.1.2).
func (c *conn) write(adu []byte, slice int, gap time.Duration) bool {
	if slice <= 0 {
		slice = maxADU
	}
	for len(adu) > 0 {
		n := min(slice, len(adu))
		if _, err := c.nc.Write(adu[:n]); err != nil {
			return false
		}
		adu = adu[n:]
		if len(adu) > 0 && gap > 0 && !c.wait(gap) {
			return false
		}
	}
	return true
}

// wait pauses and then gives the answer its full time to be taken. It reports whether the server still runs.
func (c *conn) wait(d time.Duration) bool {
	if !c.pause(d) {
		return false
	}
	return c.nc.SetWriteDeadline(time.Now().Add(c.Idle)) == nil
}
