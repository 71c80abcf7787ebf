package store

import (
	"bytes"
	"math"
	"time"

	"ringwarden/fleet"
)

// A chunkKey is what the key of a chunk says.
type chunkKey struct {
	window      int64 // nanoseconds since 1970; see windowOf
	controller  fleet.ControllerID
	group       fleet.Group
	first, last int64 // of its frames
}

// window is the length of time that one chunk covers at most. Chunks never cross a multiple of it: longer ones pack
// better, shorter ones leave less in the journal, which is larger and slower to read.
const window = int64(12 * time.Hour)

// intoWindow returns how far into its window an instant lies.
func intoWindow(at int64) int64 { return (at%window + window) % window }

// windowOf returns the beginning of the window that holds an instant. The very first one begins late, with what a key
// can hold.
func windowOf(at int64) int64 {
	if start := at - intoWindow(at); start <= at {
		return start
	}
	return math.MinInt64
}

// windowEnd returns the last nanosecond of the window that begins at start.
func windowEnd(start int64) int64 {
	if end := start - 1 + (window - intoWindow(start)); end > start {
		return end
	}
	return math.MaxInt64
}

// bytes returns the key as it is stored.
func (k *chunkKey) bytes() []byte {
	b := appendKeyTime(nil, k.window)
	b = append(append(b, k.controller...), 0, byte(k.group))
	return appendKeyTime(appendKeyTime(b, k.first), k.last)
}

// chunkPrefix returns how the keys of one controller's chunks of one window begin.
func chunkPrefix(window int64, id fleet.ControllerID) []byte {
	return append(append(appendKeyTime(nil, window), id...), 0)
}

// parseChunkKey is the inverse of bytes.
func parseChunkKey(b []byte) (chunkKey, bool) {
	const before, after = 8, 1 + 1 + 8 + 8
	if len(b) < before+after {
		return chunkKey{}, false
	}
	tail := b[len(b)-after:]
	k := chunkKey{
		window: keyNanos(b), controller: fleet.ControllerID(b[before : len(b)-after]), group: fleet.Group(tail[1]),
		first: keyNanos(tail[2:]), last: keyNanos(tail[10:]),
	}
	return k, tail[0] == 0 && bytes.Equal(b, k.bytes())
}
