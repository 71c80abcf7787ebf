// Package registermap reads register maps: the user's description of which registers a controller has, how each is
// encoded and what it means.
//
// A [Map] comes from [Parse] or [Load], never changes, and may be shared by everybody. [Map.Plan] says which requests
// read the points of a poll group; the plan decodes the answers into the values of a frame. An [Image] is the other
// side: the registers of a device that has this map, for simulation.
//
// Planning and decoding touch no network and no clock; nothing here ever writes to a device. Whatever a device answers,
// decoding does not panic and does not allocate, except for a text that has changed.
//
// FORMAT.md beside this file specifies the format; [Schema] gives it to editors.
package registermap

import (
	"crypto/sha256"
	"fmt"
	"os"
	"time"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// Limits of the file format. The first two are those of the Modbus Application Protocol V1.1b3: 6.3 and 6.4 for
// registers, 6.1 and 6.2 for bits.
const (
	MaxRegisters = 125  // registers in one request
	MaxBits      = 2000 // coils or discrete inputs in one request
	MaxPoints    = 4096 // points in one map
	MaxForbidden = 256  // forbidden ranges in one map
	MaxNames     = 1024 // named codes of one point
	MaxAbsent    = 16   // absent values of one point
	MaxPause     = 10 * time.Second
	lastAddress  = 1<<16 - 1 // as on the wire
)

// A Map is one register map. It never changes after [Parse] and may be shared.
type Map struct {
	File   string
	Digest [sha256.Size]byte // SHA-256 of the file: equal digests are equal maps
	Model  string            // as people call the device; any text
	Pause  time.Duration     // silence that the device wants between requests; 0: none
	// Longest and LongestBits are how many registers, and coils or discrete inputs, one request may ask for.
	Longest, LongestBits int
	// Bridge is what a request costs beside its registers, in registers: so many unread ones are cheaper to read
	// through than to split at.
	Bridge    int
	OneBased  bool    // the file counts registers from 1; everything in this package counts from 0
	Forbidden []Range // must not be touched
	points    []Point
	plans     map[fleet.Group]*Plan
}

// A Range is a range of addresses, both ends in it.
type Range struct {
	First, Last uint16
	Table       Table
	AllTables   bool // Table says nothing
	line        int
}

// Touches reports whether the range has an address in common with count addresses of a table from start.
func (r Range) Touches(t Table, start uint16, count int) bool {
	return (r.AllTables || r.Table == t) && int(start) <= int(r.Last) && int(start)+count > int(r.First)
}

// A Point is one entry of a map: where a value lives in the device and how to decode it.
type Point struct {
	fleet.Point
	Table   Table
	Address uint16 // of the first register or bit, as on the wire
	Length  uint16 // registers; 1 for coils and discrete inputs
	Type    Type
	Order   Order // of registers; of bytes for text
	Shift   uint8 // bits below the field; its width is Point.Bits
	Group   fleet.Group
	// Absent lists the raw bit patterns, cut to the field, by which the device says that it has no value. Not a
	// number and text without characters say the same.
	Absent []uint64
	// Lowest and Highest bound what is plausible, in base units; infinite where the map does not say.
	Lowest, Highest float64
	Line            int // in the file
}

// Points returns the points in the order of the file. The caller must not change them.
func (m *Map) Points() []Point { return m.points }

// Index returns the place of a point among [Map.Points].
func (m *Map) Index(name string) (int, bool) {
	for i := range m.points {
		if m.points[i].Name == name {
			return i, true
		}
	}
	return 0, false
}

// Where says where an address is in the file's own numbering, as in "holding 16".
func (m *Map) Where(t Table, address uint16) string {
	return where(t, int(address), m.OneBased)
}

func where(t Table, address int, oneBased bool) string {
	if oneBased {
		address++
	}
	return fmt.Sprintf("%s %d", t, address)
}

// Plan returns the requests of a poll group, or nil if the map has no point in it. Equal calls return the same plan.
func (m *Map) Plan(g fleet.Group) *Plan { return m.plans[g] }

// Load reads the map in a file. Faults in it come as by [Parse].
func Load(path string) (*Map, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading a register map: %w", err)
	}
	return Parse(path, data)
}

// Parse reads a map. All faults come at once, joined, in the order of the file: each is a [*userfile.Error] with its
// line and column, quotes what was written and says what to do. File is what they are reported under.
func Parse(file string, data []byte) (*Map, error) {
	p := &parser{Document: userfile.Parse(file, data), m: newMap(file)}
	p.file()
	if err := p.Err(); err != nil {
		return nil, err
	}
	p.m.Digest = sha256.Sum256(data)
	p.m.finish()
	return p.m, nil
}

func newMap(file string) *Map {
	return &Map{File: file, Longest: MaxRegisters, LongestBits: MaxBits, Bridge: defaultBridge}
}

// defaultBridge suits both kinds of line: over TCP a request costs more than that, over a slow serial line behind a
// gateway about as much (8 + 5 bytes of frames and two silences against 2 bytes a register).
const defaultBridge = 12

// finish makes what is derived from the points.
func (m *Map) finish() {
	m.plans = make(map[fleet.Group]*Plan)
	for _, g := range fleet.Groups {
		if p := newPlan(m, g); p != nil {
			m.plans[g] = p
		}
	}
}
