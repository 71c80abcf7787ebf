package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
)

// A plain error says in words what a library's error means to whoever set up the way.
type plain struct {
	words string
	error
}

// Error says it in words.
func (p plain) Error() string { return p.words }

// Unwrap returns what the library said.
func (p plain) Unwrap() error { return p.error }

// plainly says what went wrong on the way to a server, which limit gave so long.
func plainly(err error, limit string) error {
	var timeout net.Error
	dialled, _ := errors.AsType[*net.OpError](err)
	text := err.Error()
	switch {
	case dialled != nil && dialled.Op == "dial":
		return err // it names the address
	case errors.Is(err, context.Canceled):
		return err
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return plain{"it did not answer within " + limit, err}
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return plain{"it closed the connection without an answer", err}
	case errors.As(err, new(tls.RecordHeaderError)), errors.Is(err, http.ErrSchemeMismatch), strings.Contains(text, "server gave HTTP response to HTTPS client"):
		return plain{"it speaks no TLS at this port", err}
	case strings.Contains(text, "malformed HTTP"):
		return plain{"what it answered is no HTTP", err}
	case strings.Contains(text, "does not support STARTTLS"):
		return plain{"it does not offer STARTTLS; tls: implicit is for port 465, and tls: none for a server on the same machine", err}
	}
	if said, _, ok := strings.Cut(text, ", affected message ID: "); ok {
		return plain{said, err} // the list of messages has the key
	}
	return err
}
