package registermap

import "ringwarden/fleet"

// Table is one of the four address spaces of a Modbus device.
type Table uint8

// The tables, with the function code that reads each (Modbus Application Protocol V1.1b3, 6.1 to 6.4).
const (
	Coils     Table = iota // function 01
	Discretes              // function 02
	Holding                // function 03
	Inputs                 // function 04
	tableCount
)

var tableWords = [tableCount]string{"coil", "discrete", "holding", "input"}

// String returns the word that maps use.
func (t Table) String() string { return wordOf(tableWords[:], int(t)) }

// Bits reports whether the table holds single bits, not registers.
func (t Table) Bits() bool { return t == Coils || t == Discretes }

// Function returns the function code that reads the table, 1 to 4.
func (t Table) Function() uint8 { return uint8(t) + 1 }

// ParseTable returns the table of a word.
func ParseTable(s string) (Table, bool) { i, ok := placeOf(tableWords[:], s); return Table(i), ok }

// Type says how registers hold a value.
type Type uint8

// The types. The registers of wider ones are put together by an [Order].
const (
	Bit Type = iota
	U16
	S16
	U32
	S32
	U64
	S64
	F32   // IEEE 754 binary32
	F64   // IEEE 754 binary64
	BCD16 // four decimal digits, one in each nibble
	BCD32 // eight decimal digits
	Text  // UTF-8, two bytes in each register, padded with zeros or spaces
	typeCount
)

type typeInfo struct {
	word      string
	registers uint16 // 0: the map says
	width     uint8  // bits
	form      fleet.Form
	digits    uint8 // decimal digits of BCD, else 0
}

var types = [typeCount]typeInfo{
	Bit:   {"bit", 1, 1, fleet.FormUnsigned, 0},
	U16:   {"u16", 1, 16, fleet.FormUnsigned, 0},
	S16:   {"s16", 1, 16, fleet.FormSigned, 0},
	U32:   {"u32", 2, 32, fleet.FormUnsigned, 0},
	S32:   {"s32", 2, 32, fleet.FormSigned, 0},
	U64:   {"u64", 4, 64, fleet.FormUnsigned, 0},
	S64:   {"s64", 4, 64, fleet.FormSigned, 0},
	F32:   {"f32", 2, 32, fleet.FormFloat32, 0},
	F64:   {"f64", 4, 64, fleet.FormFloat64, 0},
	BCD16: {"bcd16", 1, 16, fleet.FormUnsigned, 4},
	BCD32: {"bcd32", 2, 32, fleet.FormUnsigned, 8},
	Text:  {"text", 0, 0, fleet.FormText, 0},
}

var typeWords = func() []string {
	words := make([]string, typeCount)
	for i := range types {
		words[i] = types[i].word
	}
	return words
}()

// String returns the word that maps use.
func (t Type) String() string { return wordOf(typeWords, int(t)) }

// Types lists every type.
func Types() []Type {
	all := make([]Type, typeCount)
	for i := range all {
		all[i] = Type(i)
	}
	return all
}

func (t Type) info() typeInfo {
	if t >= typeCount {
		return typeInfo{word: "?"}
	}
	return types[t]
}

// whole reports whether the type holds whole numbers.
func (t Type) whole() bool { return t != F32 && t != F64 && t != Text }

// Order says how the registers of a 32- or 64-bit value follow each other. Modbus itself defines none (Modbus
// Application Protocol V1.1b3, 4.2). The letters show a 32-bit value, A its most significant byte.
type Order uint8

// The word orders.
const (
	Big         Order = iota // ABCD
	Little                   // DCBA
	Swapped                  // CDAB: the least significant register first
	ByteSwapped              // BADC: the bytes of each register exchanged
	orderCount
)

var orderWords = [orderCount]string{"big", "little", "swapped", "byteswapped"}

// String returns the word that maps use.
func (o Order) String() string { return wordOf(orderWords[:], int(o)) }

// Orders lists every word order.
func Orders() []Order { return []Order{Big, Little, Swapped, ByteSwapped} }

// split writes a value of one, two or four registers; the inverse of [load].
func (o Order) split(v uint64, words []uint16) {
	n := len(words)
	for i := range words {
		place := n - 1 - i // how many registers less significant than this one
		if o == Swapped || o == Little {
			place = i
		}
		w := uint16(v >> (16 * place))
		if n > 1 && (o == ByteSwapped || o == Little) {
			w = flip(w)
		}
		words[i] = w
	}
}

// wordOf returns the word at i, or "?" for a number that no constant has.
func wordOf(words []string, i int) string {
	if i < 0 || i >= len(words) {
		return "?"
	}
	return words[i]
}

func placeOf(words []string, word string) (int, bool) {
	for i, w := range words {
		if w == word {
			return i, true
		}
	}
	return 0, false
}
