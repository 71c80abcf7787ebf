package modbusserver

import (
	"encoding/binary"
	"time"
)

// A Spoil says how one answer is spoiled. The zero value leaves it as it is. Several can be combined; they apply in
// the order of the fields.
type Spoil struct {
	Delay     time.Duration // wait this long first; later requests of the connection wait behind it
	Silent    bool          // send nothing at all
	Reset     bool          // reset the connection instead of answering
	Exception Exception     // refuse with this code; 0: answer as the device does

	WrongTransaction bool // the transaction identifier before the request's, as a late answer has
	WrongProtocol    bool // protocol identifier 1
	WrongLength      bool // length field 65535, which no answer can have
	WrongUnit        bool // the next unit identifier
	WrongFunction    bool // a function that is neither the request's nor its exception's
	WrongCount       bool // a byte count that is 2 too large; nothing where the answer is an exception

	Garbage  []byte        // send these bytes in place of the answer; must not change; nil: none
	Truncate int           // bytes cut off the answer's end; all of them: nothing is sent
	Slice    int           // send in slices of so many bytes; 0: at once
	Gap      time.Duration // wait between slices
	Hangup   bool          // close the connection after what was sent, be it the whole answer
	Repeat   bool          // send the same bytes once more, ahead of the answer to the connection's next request
}

// mar changes the header and the first bytes of an answer as the spoil says.
func (s *Spoil) mar(adu []byte) {
	if s.WrongTransaction {
		binary.BigEndian.PutUint16(adu[0:], binary.BigEndian.Uint16(adu[0:])-1)
	}
	if s.WrongProtocol {
		binary.BigEndian.PutUint16(adu[2:], 1)
	}
	if s.WrongLength {
		binary.BigEndian.PutUint16(adu[4:], 0xFFFF)
	}
	if s.WrongUnit {
		adu[6]++
	}
	refused := adu[7]&exceptionBit != 0
	if s.WrongFunction {
		adu[7] ^= 0x40
	}
	if s.WrongCount && !refused {
		adu[8] += 2
	}
}
