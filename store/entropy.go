package store

import (
	"encoding/binary"
	"errors"
	"math/bits"

	"github.com/klauspost/compress/fse"
	"github.com/klauspost/compress/huff0"
)

// How the bytes of a stream are packed.
const (
	packedPlain   = 0
	packedSame    = 1 // one byte, repeated
	packedHuffman = 2 // huff0, four streams, its table first: fast
	packedFSE     = 3 // finite state entropy: smaller where one symbol is most of them
)

// A coder packs streams. It keeps the memory that it needs; its zero value is ready.
type coder struct {
	huffman huff0.Scratch
	fse     fse.Scratch
	symbols []byte
	gaps    []uint64
	changes []uint64
	all     []uint64
}

// pack appends a stream: uvarint length, then, unless that is 0, how it is packed, and that.
func (c *coder) pack(dst, stream []byte) []byte {
	dst = binary.AppendUvarint(dst, uint64(len(stream)))
	if len(stream) == 0 {
		return dst
	}
	c.huffman.Reuse = huff0.ReusePolicyNone
	method, packed := byte(packedPlain), stream
	out, _, err := huff0.Compress4X(stream, &c.huffman)
	if errors.Is(err, huff0.ErrUseRLE) {
		return append(dst, packedSame, stream[0])
	}
	if err == nil {
		method, packed = packedHuffman, out
	}
	// The finite state coder is slower to read, so it must save a twentieth.
	if out, err := fse.Compress(stream, &c.fse); err == nil && len(out)+len(out)/20 < len(packed) {
		method, packed = packedFSE, out
	} else if errors.Is(err, fse.ErrUseRLE) {
		return append(dst, packedSame, stream[0])
	}
	dst = append(dst, method)
	if method != packedPlain {
		dst = binary.AppendUvarint(dst, uint64(len(packed)))
	}
	return append(dst, packed...)
}

// classes is the first symbol that stands for a class of integers, by their length in bits, whose lower bits follow in
// the stream of bits; smaller integers are symbols themselves.
const classes = 190

// packInts appends a list of integers: the stream of their symbols, then the stream of the bits.
func (c *coder) packInts(dst []byte, ints []uint64) []byte {
	symbols := c.symbols[:0]
	large := false
	for _, v := range ints {
		if v < classes {
			symbols = append(symbols, byte(v))
			continue
		}
		symbols = append(symbols, classes+byte(bits.Len64(v)))
		large = true
	}
	c.symbols = symbols
	dst = c.pack(dst, symbols)
	if !large {
		return dst
	}
	var b bitWriter
	for _, v := range ints {
		if v >= classes {
			n := bits.Len64(v) - 1
			b.write(v&(1<<n-1), n)
		}
	}
	return b.flush(dst)
}

// A bitWriter gathers bits, the least significant first.
type bitWriter struct {
	out  []byte
	held uint64
	n    int
}

func (b *bitWriter) write(v uint64, n int) {
	for n > 32 {
		b.write(v&0xffffffff, 32)
		v, n = v>>32, n-32
	}
	b.held |= v << b.n
	b.n += n
	for b.n >= 8 {
		b.out = append(b.out, byte(b.held))
		b.held >>= 8
		b.n -= 8
	}
}

// flush appends the length and the bytes.
func (b *bitWriter) flush(dst []byte) []byte {
	if b.n > 0 {
		b.out = append(b.out, byte(b.held))
	}
	return append(binary.AppendUvarint(dst, uint64(len(b.out))), b.out...)
}
