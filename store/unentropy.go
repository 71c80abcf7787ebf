package store

import (
	"slices"

	"github.com/klauspost/compress/fse"
	"github.com/klauspost/compress/huff0"
)

// rowLimit bounds the rows of a chunk, and so what a damaged length can ask for.
const rowLimit = 1 << 14

// A decoder unpacks streams into memory that it uses again. Its zero value is ready. What it gives is valid until the
// next call of the same method.
type decoder struct {
	huffman *huff0.Scratch
	fse     fse.Scratch
	symbols []byte
}

// stream unpacks what coder.pack packed, of at most limit bytes.
func (d *decoder) stream(w *wire, limit int) []byte {
	n := w.uvarint()
	if n == 0 || n > uint64(limit) {
		if n > 0 {
			w.fail()
		}
		return nil
	}
	method := w.octet()
	switch method {
	case packedPlain:
		return w.take(n)
	case packedSame:
		return d.repeat(w.octet(), int(n))
	}
	packed := w.take(w.uvarint())
	if w.bad {
		return nil
	}
	var out []byte
	var err error
	switch method {
	case packedHuffman:
		out, err = d.unhuffman(packed, int(n))
	case packedFSE:
		d.fse.DecompressLimit = int(n)
		out, err = fse.Decompress(packed, &d.fse)
	default:
		w.fail()
		return nil
	}
	if err != nil || len(out) != int(n) {
		w.fail()
		return nil
	}
	return out
}

func (d *decoder) room(n int) []byte {
	if cap(d.symbols) < n {
		d.symbols = make([]byte, n, 2*n)
	}
	return d.symbols[:n]
}

func (d *decoder) repeat(b byte, n int) []byte {
	out := d.room(n)
	for i := range out {
		out[i] = b
	}
	return out
}

func (d *decoder) unhuffman(packed []byte, n int) ([]byte, error) {
	s, rest, err := huff0.ReadTable(packed, d.huffman)
	if err != nil {
		return nil, err
	}
	d.huffman = s
	return s.Decoder().Decompress4X(d.room(n)[:0:n], rest)
}

// ints unpacks what coder.packInts packed into dst, at most limit integers.
func (d *decoder) ints(dst []uint64, w *wire, limit int) []uint64 {
	symbols := d.stream(w, limit)
	dst = slices.Grow(dst[:0], len(symbols))[:len(symbols)]
	largest := byte(0)
	for i, s := range symbols {
		dst[i] = uint64(s)
		largest = max(largest, s)
	}
	if largest >= classes {
		d.enlarge(dst, w)
	}
	return dst
}

// enlarge puts the classes' bits in place.
func (d *decoder) enlarge(ints []uint64, w *wire) {
	b := bitReader{b: w.take(w.uvarint())}
	for i, v := range ints {
		if v < classes {
			continue
		}
		n := int(v) - classes - 1
		if n < 0 || n > 63 {
			w.fail()
			return
		}
		ints[i] = 1<<n | b.read(n)
	}
	if b.bad {
		w.fail()
	}
}

// A bitReader is the inverse of a bitWriter.
type bitReader struct {
	b    []byte
	held uint64
	n    int
	bad  bool
}

func (b *bitReader) read(n int) uint64 {
	if n > 32 {
		low := b.read(32)
		return low | b.read(n-32)<<32
	}
	for b.n < n {
		if len(b.b) == 0 {
			b.bad = true
			return 0
		}
		b.held |= uint64(b.b[0]) << b.n
		b.b = b.b[1:]
		b.n += 8
	}
	v := b.held & (1<<n - 1)
	b.held >>= n
	b.n -= n
	return v
}
