package store

import (
	"bytes"
	"container/heap"
	"context"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// chunksOf returns the bucket of chunks; nil where a file of format 1 is open for reading only.
func chunksOf(tx *bbolt.Tx) *bbolt.Bucket { return tx.Bucket(bucketChunks) }

// limits returns the first and the last nanosecond of [from, to); zero times are no limits.
func limits(from, to time.Time) (first, last int64) {
	first, last = math.MinInt64, math.MaxInt64
	switch {
	case from.After(latest):
		return math.MaxInt64, math.MinInt64
	case !from.IsZero() && from.After(earliest):
		first = from.UnixNano()
	}
	switch {
	case to.IsZero() || to.After(latest):
	case !to.After(earliest):
		return math.MaxInt64, math.MinInt64
	default:
		last = to.UnixNano() - 1
	}
	return first, last
}

// nextWindow finds the first window from the one of first on, up to last, that has anything in it.
func (s *Store) nextWindow(ctx context.Context, first, last int64) (start int64, ok bool, err error) {
	if ctx.Err() != nil {
		return 0, false, context.Cause(ctx)
	}
	err = s.view(func(tx *bbolt.Tx) error {
		start, _, ok = windowAt(tx, first)
		return nil
	})
	return start, ok && start <= last, err
}

// windowAt finds the first window from the one of first on that has anything in it, and the journal's first instant from
// first on, which is the last of all where it has none.
func windowAt(tx *bbolt.Tx, first int64) (start, journal int64, ok bool) {
	journal = math.MaxInt64
	if k, _ := tx.Bucket(bucketJournal).Cursor().Seek(appendKeyTime(nil, first)); len(k) >= 8 {
		journal = keyNanos(k)
		start, ok = windowOf(journal), true
	}
	if b := chunksOf(tx); b != nil {
		if k, _ := b.Cursor().Seek(appendKeyTime(nil, windowOf(first))); len(k) >= 8 && (!ok || keyNanos(k) < start) {
			start, ok = keyNanos(k), true
		}
	}
	return start, journal, ok
}

// A merger gives the frames of one window, from its chunks and from the journal, in order.
type merger struct {
	s        *Store
	q        *Query
	unpacker unpacker
	decoder  decoder
	start    int64

	batch    batch
	loaded   bool
	sequence uint64 // of the bucket of chunks when they were read
	bodies   []folded
	heads    chunkHeap
}

// window yields the frames from first to last, and reports whether more are wanted. What is read of the journal and
// which chunks there are is always of one transaction, so that a fold in between cannot hide a frame.
func (m *merger) window(ctx context.Context, first, last int64, yield func(fleet.Frame, error) bool) (bool, error) {
	var frames []fleet.Frame
	for {
		if ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
		fresh, err := m.read(first, last)
		if err != nil {
			return false, err
		}
		if fresh {
			m.open(first)
		}
		frames = frames[:0]
		for batch := m.batch.records; len(batch) > 0; {
			n := sameInstant(batch)
			these, _ := m.s.unpackInstant(&m.unpacker, nil, batch[:n])
			frames = append(frames, these...)
			batch = batch[n:]
		}
		end := last // of what this transaction showed
		if n := len(m.batch.records); n > 0 {
			if k := m.batch.records[n-1].key; len(k) >= 8 && len(m.batch.memory) >= batchLimit {
				end = min(last, keyNanos(k))
			}
		}
		more, err := m.merge(ctx, frames, end, yield)
		if !more || err != nil {
			return false, err
		}
		if end == last {
			return true, nil
		}
		first = end + 1
	}
}

// read copies a batch of the journal, and the chunks if there are others than before.
func (m *merger) read(first, last int64) (fresh bool, err error) {
	err = m.s.view(func(tx *bbolt.Tx) error {
		if err := m.batch.fill(tx.Bucket(bucketJournal), appendKeyTime(nil, first), keyAfter(last)); err != nil {
			return err
		}
		chunks := chunksOf(tx)
		if chunks == nil || m.loaded && chunks.Sequence() == m.sequence {
			return nil
		}
		m.loaded, m.sequence, fresh = true, chunks.Sequence(), true
		m.bodies = m.bodies[:0]
		if m.q.Controllers != nil {
			for _, id := range slices.Compact(slices.Sorted(slices.Values(m.q.Controllers))) {
				m.copyChunks(chunks, chunkPrefix(m.start, id), first, last)
			}
			return nil
		}
		m.copyChunks(chunks, appendKeyTime(nil, m.start), first, last)
		return nil
	})
	return fresh, err
}

// copyChunks copies those chunks of a prefix that may have frames from first to last.
func (m *merger) copyChunks(chunks *bbolt.Bucket, prefix []byte, first, last int64) {
	c := chunks.Cursor()
	for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
		key, ok := parseChunkKey(k)
		if !ok {
			m.s.damagedRecord(bucketChunks, k, errKey)
			continue
		}
		if len(prefix) > 8 && len(key.controller)+9 != len(prefix) || key.last < first || key.first > last {
			continue
		}
		body, ok := unseal(k, v)
		if !ok {
			m.s.damagedRecord(bucketChunks, k, errChecksum)
			continue
		}
		m.bodies = append(m.bodies, folded{key: key, body: bytes.Clone(body)})
	}
}

// open begins to read the chunks, at first.
func (m *merger) open(first int64) {
	m.heads = m.heads[:0]
	for i := range m.bodies {
		r := &chunkReader{}
		if err := r.open(m.bodies[i].key, m.bodies[i].body, m.s.layout, &m.decoder); err != nil {
			m.s.damagedRecord(bucketChunks, m.bodies[i].key.bytes(), err)
			continue
		}
		f := r.next()
		for f != nil && f.At.UnixNano() < first {
			f = r.next()
		}
		if f != nil {
			m.heads = append(m.heads, chunkHead{f, r})
		}
		m.bodies[i].body = nil
	}
	heap.Init(&m.heads)
}

// lookEvery is how many frames are given before it is seen whether they are still wanted: a window of a large fleet has
// millions, which take minutes to write down.
const lookEvery = 1024

// merge yields the chunks' frames up to end and those of the journal, in order, and reports whether more are wanted. Of two
// that are the same, the chunk's came first.
func (m *merger) merge(ctx context.Context, journal []fleet.Frame, end int64, yield func(fleet.Frame, error) bool) (bool, error) {
	for n := 1; ; n++ {
		if n%lookEvery == 0 && ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
		var head *fleet.Frame
		if len(m.heads) > 0 && m.heads[0].frame.At.UnixNano() <= end {
			head = m.heads[0].frame
		}
		switch {
		case head == nil && len(journal) == 0:
			return true, nil
		case head == nil || len(journal) > 0 && compareDated(&journal[0], head) < 0:
			if !yield(journal[0], nil) {
				return false, nil
			}
			journal = journal[1:]
			continue
		case len(journal) > 0 && compareDated(&journal[0], head) == 0:
			journal = journal[1:]
		}
		f := *head
		m.heads.advance()
		if !yield(f, nil) {
			return false, nil
		}
	}
}

func compareDated(a, b *fleet.Frame) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	return compareFrames(a, b)
}

// A chunkHead is the next frame of a chunk.
type chunkHead struct {
	frame *fleet.Frame
	rest  *chunkReader
}

// A chunkHeap has the chunk with the first frame on top.
type chunkHeap []chunkHead

func (h chunkHeap) Len() int           { return len(h) }
func (h chunkHeap) Less(i, j int) bool { return compareDated(h[i].frame, h[j].frame) < 0 }
func (h chunkHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *chunkHeap) Push(x any)        { *h = append(*h, x.(chunkHead)) }
func (h *chunkHeap) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}

// advance puts the next frame of the first chunk in its place.
func (h *chunkHeap) advance() {
	if f := (*h)[0].rest.next(); f != nil {
		(*h)[0].frame = f
		heap.Fix(h, 0)
		return
	}
	heap.Pop(h)
}
