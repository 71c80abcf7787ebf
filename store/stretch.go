package store

import (
	"encoding/binary"
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
	key     chunkKey
	stretch int
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
	for i := len(s.stretches) - 1; i >= 0; i-- {
		if sequence > s.stretches[i].from {
			return i
		}
	}
	return -1
}

// shifts says by how much the frames of each stretch move with a step; nil: none does. A step back takes back leaps ahead
// first: what was read before such a leap moves only by what is left.
func (s *Store) shifts(before, after time.Time) []time.Duration {
	by := after.Sub(before)
	if !s.StepMoves(before, after) || by == 0 {
		return nil
	}
	shifts := make([]time.Duration, len(s.stretches))
	for i := len(shifts) - 1; i >= 0 && by != 0; i-- {
		shifts[i] = by
		if by < 0 {
			by = min(0, by+s.stretches[i].leap)
		}
	}
	return shifts
}

// settle notes what a step did to the stretches: what moved together is one from now on.
func (s *Store) settle(shifts []time.Duration, by time.Duration, sequence uint64) {
	if shifts == nil {
		s.stretches = append(s.stretches, stretch{from: sequence, leap: max(by, 0)})
		if len(s.stretches) > stretchesKept {
			s.merge(0)
		}
		return
	}
	for i, shift := range shifts {
		if shift == 0 {
			continue
		}
		s.stretches[i].leap = max(0, s.stretches[i].leap+min(shift, 0))
		for len(s.stretches) > i+1 {
			s.merge(i)
		}
		return
	}
}

// merge makes a stretch and the one after it one.
func (s *Store) merge(i int) {
	s.stretches = append(s.stretches[:i+1], s.stretches[i+2:]...)
	for j := range s.runChunks {
		if s.runChunks[j].stretch > i {
			s.runChunks[j].stretch--
		}
	}
}

// remember keeps in mind chunks that were folded in this run.
func (s *Store) remember(chunks []folded) {
	for i := range chunks {
		if chunks[i].stretch >= 0 {
			s.runChunks = append(s.runChunks, runChunk{chunks[i].key, chunks[i].stretch})
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
			of[r.key] = r.stretch
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
