package store

import (
	"encoding/binary"
	"slices"
	"sync"
	"time"

	"go.etcd.io/bbolt"
)

// A stretch is a part of this run, from Open on, in which the clock ran steadily. A step that moves nothing begins
// another one.
type stretch struct {
	from uint64        // the journal's sequence when it began: what is above it was appended in it, or after it
	leap time.Duration // how far the clock leapt ahead then; 0 for the first
}

// stretchesKept bounds the stretches; the oldest become one. A machine that sleeps every hour makes ten thousand a year.
const stretchesKept = 256

// A runChunk is a chunk that was folded in this run, of frames of one stretch.
type runChunk struct {
	key      chunkKey
	sequence uint64 // of its frames, or another one of their stretch
}

// runChunksKept bounds what is remembered of them: years of a small site, weeks of hundreds of controllers. When it is
// full the oldest are forgotten, and stay where they are whatever the clock does.
const runChunksKept = 1 << 16

// driftPart is the part of the time since Open by which a clock that nobody sets may be wrong: 500 parts in a million, 43
// seconds a day (common practice, no source: what ordinary crystals lose in heat and cold).
const driftPart = 2000

// stretchOf returns the stretch of what has a sequence; -1 if that is older than this run. Whoever calls it holds the
// token of folding.
func (s *Store) stretchOf(sequence uint64) int {
	for i := len(s.run.stretches) - 1; i >= 0; i-- {
		if sequence > s.run.stretches[i].from {
			return i
		}
	}
	return -1
}

// sequenceOf returns a sequence of a stretch.
func (s *Store) sequenceOf(stretch int) uint64 { return s.run.stretches[stretch].from + 1 }

// shifts says by how much the frames of each stretch move with a step; nil: none does. A step back takes back leaps ahead
// first: what was read before such a leap moves only by what is left.
func (s *Store) shifts(before, after time.Time) []time.Duration {
	by := after.Sub(before)
	if !s.StepMoves(before, after) || by == 0 {
		return nil
	}
	stretches := s.run.stretches
	shifts := make([]time.Duration, len(stretches))
	for i := len(shifts) - 1; i >= 0 && by != 0; i-- {
		shifts[i] = by
		if by < 0 {
			by = min(0, by+stretches[i].leap)
		}
	}
	return shifts
}

// settled returns the stretches as a step leaves them: what moved together is one from now on. A step that moved nothing
// begins another one, of what comes after a sequence of the journal.
func settled(stretches []stretch, shifts []time.Duration, by time.Duration, sequence uint64) []stretch {
	stretches = slices.Clone(stretches)
	if shifts == nil {
		if by == 0 {
			return stretches
		}
		if stretches = append(stretches, stretch{from: sequence, leap: max(by, 0)}); len(stretches) > stretchesKept {
			stretches = slices.Delete(stretches, 1, 2)
		}
		return stretches
	}
	first := slices.IndexFunc(shifts, func(shift time.Duration) bool { return shift != 0 })
	stretches[first].leap = max(0, stretches[first].leap+min(shifts[first], 0))
	return stretches[:first+1]
}

// remember keeps in mind chunks that were folded in this run.
func (s *Store) remember(chunks []folded) {
	for i := range chunks {
		if chunks[i].stretch >= 0 {
			s.runChunks = append(s.runChunks, runChunk{chunks[i].key, s.sequenceOf(chunks[i].stretch)})
		}
	}
	if n := len(s.runChunks) - runChunksKept; n > 0 {
		s.runChunks = append([]runChunk(nil), s.runChunks[n+runChunksKept/8:]...)
	}
}

// stretchesOf returns the stretches of those chunks of a window that were folded in this run.
func (s *Store) stretchesOf(window int64) map[chunkKey]int {
	of := make(map[chunkKey]int)
	for _, r := range s.runChunks {
		if r.key.window == window {
			of[r.key] = s.stretchOf(r.sequence)
		}
	}
	return of
}

// A parting keeps the frames of this run apart from those of others that lie at the same time, because a clock went over it
// twice: they are kept some nanoseconds later, as many as there were such runs and steps before, so that none hides
// another one.
type parting struct {
	mu     sync.Mutex
	number int64 // of this run or its last step; 0: none yet
}

// partLimit is the most nanoseconds; then they begin anew. No two polls of a group are as near.
const partLimit = int64(time.Millisecond)

// aside returns this run's number, in nanoseconds as well. A fresh one is taken once for each run, and at each step.
func (s *Store) aside(fresh bool) (number int64, by time.Duration, err error) {
	s.parting.mu.Lock()
	defer s.parting.mu.Unlock()
	if s.parting.number == 0 || fresh {
		last := s.parting.number
		if err := s.view(func(tx *bbolt.Tx) error { last = max(last, readParted(tx)); return nil }); err != nil {
			return 0, 0, err
		}
		s.parting.number = last + 1
	}
	return s.parting.number, time.Duration(1 + (s.parting.number-1)%(partLimit-1)), nil
}

// readParted returns the last number that was taken.
func readParted(tx *bbolt.Tx) int64 {
	body, ok := unseal(keyParted, tx.Bucket(bucketHead).Get(keyParted))
	if !ok || len(body) != 8 {
		return 0
	}
	return int64(binary.BigEndian.Uint64(body))
}

// putParted notes that a number is taken.
func putParted(tx *bbolt.Tx, number int64) error {
	if number <= readParted(tx) {
		return nil
	}
	return tx.Bucket(bucketHead).Put(keyParted, seal(keyParted, binary.BigEndian.AppendUint64(nil, uint64(number))))
}
