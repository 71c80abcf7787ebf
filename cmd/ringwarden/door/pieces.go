package door

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	"ringwarden/store"
)

// An export travels in pieces, so that the command hears how far it is: one byte, what it is; then for data, 4 bytes length
// and that many bytes; for progress, 8 bytes done and 8 bytes total. Numbers have the most significant byte first.
const (
	pieceData     = 'd'
	pieceProgress = 'p'
)

// maxPiece bounds a piece of data, in bytes.
const maxPiece = 16 << 20

// tellEvery is how often progress is told.
const tellEvery = 500 * time.Millisecond

// A pieceWriter sends pieces.
type pieceWriter struct {
	w    io.Writer
	now  func() time.Time
	told time.Time
	err  error // of telling progress
}

// Write sends b as data.
func (p *pieceWriter) Write(b []byte) (n int, err error) {
	for len(b) > 0 {
		part := b[:min(len(b), maxPiece)]
		head := binary.BigEndian.AppendUint32([]byte{pieceData}, uint32(len(part)))
		if _, err := p.w.Write(head); err != nil {
			return n, err
		}
		m, err := p.w.Write(part)
		if n += m; err != nil {
			return n, err
		}
		b = b[len(part):]
	}
	return n, nil
}

func (p *pieceWriter) progress(done, total int64) {
	now := p.now()
	if p.err != nil || now.Sub(p.told) < tellEvery {
		return
	}
	p.told = now
	b := binary.BigEndian.AppendUint64([]byte{pieceProgress}, uint64(done))
	_, p.err = p.w.Write(binary.BigEndian.AppendUint64(b, uint64(total)))
}

// receivePieces writes the data of all pieces to w, and tells progress.
func receivePieces(w io.Writer, r io.Reader, p store.Progress) (n int64, err error) {
	var head [16]byte
	for {
		if _, err := io.ReadFull(r, head[:1]); errors.Is(err, io.EOF) {
			return n, nil
		} else if err != nil {
			return n, err
		}
		switch head[0] {
		case pieceProgress:
			if _, err := io.ReadFull(r, head[:16]); err != nil {
				return n, whole(err)
			}
			if p != nil {
				p(int64(binary.BigEndian.Uint64(head[:])), int64(binary.BigEndian.Uint64(head[8:])))
			}
		case pieceData:
			if _, err := io.ReadFull(r, head[:4]); err != nil {
				return n, whole(err)
			}
			m, err := io.CopyN(w, r, int64(binary.BigEndian.Uint32(head[:])))
			if n += m; err != nil {
				return n, whole(err)
			}
		default:
			return n, fmt.Errorf("the daemon's answer begins a piece with %q; is it of the same version?", head[0])
		}
	}
}

// whole says that a piece ends too early.
func whole(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
