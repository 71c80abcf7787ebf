package poller

import (
	"errors"
	"io"
	"strings"

	"github.com/simonvetter/modbus"
)

// A verdict is what the end of one request means for the connection and for the poll.
type verdict uint8

const (
	data     verdict = iota // an answer with data
	refusal                 // an exception that stays: the connection is good, this block is not to be had now
	hole                    // exception 2, illegal data address: some register of the block does not exist
	later                   // exceptions 5 and 6: the device is busy; ask again later
	nobody                  // exceptions 10 and 11: the gateway answers for a unit that does not
	silence                 // no answer in time; the stream may be out of step from now on
	dropped                 // the other end closed or reset: a device that drops idle sockets does this
	mismatch                // half an answer, or one that does not fit the question
	babble                  // no answer in time, but something else: of another protocol, or to another question
)

// exceptionText begins the error of exceptions that the library has no error for (0, 7, 9, 12 and up). Only the text
// tells them from errors of the transport.
const exceptionText = "unknown exception code ("

var verdicts = []struct {
	err     error
	verdict verdict
}{
	{modbus.ErrIllegalDataAddress, hole},
	{modbus.ErrAcknowledge, later},
	{modbus.ErrServerDeviceBusy, later},
	{modbus.ErrGWPathUnavailable, nobody},
	{modbus.ErrGWTargetFailedToRespond, nobody},
	{modbus.ErrIllegalFunction, refusal},
	{modbus.ErrIllegalDataValue, refusal},
	{modbus.ErrServerDeviceFailure, refusal},
	{modbus.ErrMemoryParityError, refusal},
	{errBabble, babble},
	{modbus.ErrRequestTimedOut, silence},
	{modbus.ErrProtocolError, mismatch},
	{modbus.ErrBadUnitId, mismatch},
	{io.ErrUnexpectedEOF, mismatch},
}

// judge says what the error of a request means. Whatever is not known is taken for a connection that is no good.
func judge(err error) verdict {
	if err == nil {
		return data
	}
	for _, v := range verdicts {
		if errors.Is(err, v.err) {
			return v.verdict
		}
	}
	if strings.HasPrefix(err.Error(), exceptionText) {
		return refusal
	}
	return dropped
}

// keeps reports whether the connection may be used again. After anything but data or an exception it may not: the
// rest of a late or torn answer would be taken for the next one.
func (v verdict) keeps() bool { return v <= nobody }

// again reports whether the same request deserves one more try at once, on a new connection. Silence and babble do not: they
// have cost the neighbours a whole time-out already.
func (v verdict) again() bool { return v == dropped || v == mismatch }
