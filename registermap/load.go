package registermap

// A load says how to put a value together from its registers: the order and how many.
type load uint8

const (
	load1 load = iota
	load2Big
	load2Little
	load2Swapped
	load2ByteSwapped
	load4Big
	load4Little
	load4Swapped
	load4ByteSwapped
	loadText
	loadText1 // the second byte first
)

// loadOf returns how a point's value is put together.
func loadOf(pt *Point) load {
	switch {
	case pt.Type == Text && pt.Order == ByteSwapped:
		return loadText1
	case pt.Type == Text:
		return loadText
	case pt.Length == 2:
		return load2Big + load(pt.Order)
	case pt.Length == 4:
		return load4Big + load(pt.Order)
	}
	return load1
}

func flip(w uint16) uint16 { return w<<8 | w>>8 }

func join2(high, low uint16) uint64 { return uint64(high)<<16 | uint64(low) }

func join4(a, b, c, d uint16) uint64 { return join2(a, b)<<32 | join2(c, d) }

// from returns the value that begins at the first of w.
func (l load) from(w []uint16) uint64 {
	switch l {
	case load1:
		return uint64(w[0])
	case load2Big:
		return join2(w[0], w[1])
	case load2Little:
		return join2(flip(w[1]), flip(w[0]))
	case load2Swapped:
		return join2(w[1], w[0])
	case load2ByteSwapped:
		return join2(flip(w[0]), flip(w[1]))
	case load4Big:
		return join4(w[0], w[1], w[2], w[3])
	case load4Little:
		return join4(flip(w[3]), flip(w[2]), flip(w[1]), flip(w[0]))
	case load4Swapped:
		return join4(w[3], w[2], w[1], w[0])
	case load4ByteSwapped:
		return join4(flip(w[0]), flip(w[1]), flip(w[2]), flip(w[3]))
	}
	return 0
}
