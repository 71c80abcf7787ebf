package registermap

import (
	"errors"
	"fmt"

	"ringwarden/fleet"
)

// ErrNoSuchAddress says that a device has no register or bit at an address. A server answers exception 2, illegal data
// address.
var ErrNoSuchAddress = errors.New("no such address")

// ErrClamped says that a value does not fit its registers and that the nearest one that does was written, as devices do.
var ErrClamped = errors.New("does not fit; wrote the nearest")

// An Image is the registers of one device as a server holds them. It has every address from the lowest to the highest
// that the map names in each table, zero where no point is, and none in forbidden ranges.
//
// An Image is safe only under its owner's lock.
type Image struct {
	m       *Map
	tables  [tableCount]bank
	scalers map[int]*scaler // by the exponent's place among the points
	scaler  []*scaler       // for each point the one that scales it, or nil
}

// A bank is one table's addresses; words of bit tables are 0 or 1.
type bank struct {
	first int
	words []uint16
}

// A scaler is an exponent with the points that it scales.
type scaler struct {
	point    int
	exponent int
	pinned   bool // set by the owner: it does not grow any more
	users    []int
	last     map[int]fleet.Value // what each user was set to, to be written again with another exponent
}

// NewImage returns the registers of a device that was just made: all zero, but for exponents.
func (m *Map) NewImage() *Image {
	im := &Image{m: m, scalers: map[int]*scaler{}, scaler: make([]*scaler, len(m.points))}
	for t := range tableCount {
		im.tables[t] = m.bankOf(t)
	}
	for i := range m.points {
		if by := m.points[i].ScaledBy; by != "" {
			im.join(i, by)
		}
	}
	for _, s := range im.scalers {
		s.exponent = im.firstExponent(s)
		im.encode(s.point, uint64(int64(s.exponent)))
	}
	return im
}

func (m *Map) bankOf(t Table) bank {
	var spans []span
	for _, pt := range m.points {
		if pt.Table == t {
			spans = append(spans, span{0, int(pt.Address), int(pt.Address) + int(pt.Length)})
		}
	}
	if len(spans) == 0 {
		return bank{}
	}
	start, end := hull(spans)
	return bank{start, make([]uint16, end-start)}
}

func (im *Image) join(point int, by string) {
	i, _ := im.m.Index(by)
	s := im.scalers[i]
	if s == nil {
		s = &scaler{point: i, last: map[int]fleet.Value{}}
		im.scalers[i] = s
	}
	s.users = append(s.users, point)
	im.scaler[point] = s
}

// ReadRegisters fills dst with count registers of the holding or input table.
func (im *Image) ReadRegisters(t Table, start, count uint16, dst []uint16) error {
	words, err := im.read(t, start, count, len(dst))
	if err != nil {
		return err
	}
	copy(dst, words)
	return nil
}

// ReadBits fills dst with count bits of the coil or discrete table.
func (im *Image) ReadBits(t Table, start, count uint16, dst []bool) error {
	words, err := im.read(t, start, count, len(dst))
	if err != nil {
		return err
	}
	for i, w := range words {
		dst[i] = w != 0
	}
	return nil
}

func (im *Image) read(t Table, start, count uint16, room int) ([]uint16, error) {
	if t >= tableCount || int(count) > room {
		return nil, fmt.Errorf("reading %d of %s into room for %d: %w", count, t, room, ErrNoSuchAddress)
	}
	b := im.tables[t]
	from := int(start) - b.first
	if from < 0 || from+int(count) > len(b.words) {
		return nil, ErrNoSuchAddress
	}
	if _, ok := im.m.forbiddenAt(t, start, int(count)); ok {
		return nil, ErrNoSuchAddress
	}
	return b.words[from : from+int(count)], nil
}
