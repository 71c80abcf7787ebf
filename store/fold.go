package store

import (
	"bytes"
	"context"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

const (
	// foldMemory bounds the packed readings that a fold gathers before it writes them as chunks: a window of some 700
	// controllers with twenty points each. Above it, chunks come out shorter.
	foldMemory = 32 << 20
	// foldCommit bounds the bytes of chunks in one commit, so that no Append waits for long.
	foldCommit = 256 << 10
)

// Fold moves the frames before an instant out of the journal into chunks, window by window, and makes the rollups of
// the days that are over by then. It may run beside everything else: each of its commits is small, so that an Append
// never waits for more than one. ctx stops it between two commits. Killed at any point, or stopped, it goes on where
// it was: nothing is lost and nothing doubled. Only one fold is at work at a time; another waits.
func (s *Store) Fold(ctx context.Context, before time.Time) error {
	const doing = "folding"
	select {
	case s.folding <- struct{}{}:
	case <-ctx.Done():
		return explain(doing, s.path, context.Cause(ctx))
	}
	defer func() { <-s.folding }()
	f := folder{s: s, unpacker: unpacker{layout: s.layout, recycle: true}}
	for {
		more, err := f.window(ctx, before)
		if err != nil {
			return explain(doing, s.path, err)
		}
		if !more {
			break
		}
	}
	return explain(doing, s.path, s.rollDue(ctx, before))
}

// A folder folds one window after the other.
type folder struct {
	s        *Store
	unpacker unpacker
	coder    coder
	builders map[builderKey]*chunkBuilder
	done     []folded
	doneSize int
	folded   map[frameKey][]foldedSpan // what chunks there are of the window
	highest  uint64                    // the journal's sequence when the window was begun
	decoder  decoder
	frames   []fleet.Frame
	bad      []record // damaged ones, to be put into quarantine
}

// A folded is a chunk that is not written yet.
type folded struct {
	key     chunkKey
	stretch int // of its frames; see [Store.stretchOf]
	body    []byte
}

// A builderKey says what goes into one chunk: of frames of two stretches a step of the clock may move the ones alone.
type builderKey struct {
	frameKey
	stretch int
}

// A foldedSpan is a chunk that was there before.
type foldedSpan struct {
	key chunkKey
	at  map[int64]struct{} // its instants; nil until somebody asks
}

// window folds the first window that the journal has. more says that there may be another one.
func (f *folder) window(ctx context.Context, before time.Time) (more bool, err error) {
	var start int64
	found := false
	err = f.s.view(func(tx *bbolt.Tx) error {
		journal := tx.Bucket(bucketJournal)
		f.highest = journal.Sequence()
		if k, _ := journal.Cursor().First(); len(k) >= 8 {
			start, found = windowOf(keyNanos(k)), true
		}
		return nil
	})
	if err != nil || !found || start >= before.UnixNano() {
		return false, err
	}
	end := before.UnixNano()
	if e := start + window; e > start && e < end {
		end = e
	}
	if err := f.findChunks(ctx, start); err != nil {
		return false, err
	}
	first, last := appendKeyTime(nil, start), appendKeyTime(nil, end)
	var read []byte // the key up to which everything was read
	for batch, err := range f.s.records(ctx, bucketJournal, first, last) {
		if err != nil {
			return false, err
		}
		if err := f.take(batch); err != nil {
			return false, err
		}
		read = append(bytes.Clone(batch[len(batch)-1].key), 0)
		if f.size() > foldMemory {
			if err := f.flush(ctx, first, read); err != nil {
				return false, err
			}
		}
	}
	if err := f.flush(ctx, first, read); err != nil {
		return false, err
	}
	return end < before.UnixNano() && read != nil, nil
}

// findChunks finds what was folded of a window already: after a fold that did not come to its end, or if frames come
// late.
func (f *folder) findChunks(ctx context.Context, start int64) error {
	f.folded = make(map[frameKey][]foldedSpan)
	return f.s.chunkKeys(ctx, start, func(k chunkKey, _ int) {
		key := frameKey{k.controller, k.group}
		f.folded[key] = append(f.folded[key], foldedSpan{key: k})
	})
}

// take adds journal records of whole instants to the builders.
func (f *folder) take(batch []record) error {
	batch = slices.DeleteFunc(batch, func(r record) bool {
		return len(r.key) == journalKeySize && journalSequence(r.key) > f.highest
	})
	for len(batch) > 0 {
		n := sameInstant(batch)
		if err := f.takeInstant(batch[:n]); err != nil {
			return err
		}
		batch = batch[n:]
	}
	return nil
}

// takeInstant adds the records of an instant, those of each stretch by themselves.
func (f *folder) takeInstant(batch []record) error {
	for first := len(batch); len(batch) > 0; {
		stretch, n := f.stretchOf(&batch[0]), 1
		for n < len(batch) && f.stretchOf(&batch[n]) == stretch {
			n++
		}
		var bad []record
		f.frames, bad = f.s.unpackInstant(&f.unpacker, f.frames[:0], batch[:n])
		for _, r := range bad {
			f.bad = append(f.bad, record{key: bytes.Clone(r.key), value: bytes.Clone(r.value)})
		}
		for i := range f.frames {
			if n < first && f.isTaken(&f.frames[i], stretch) {
				continue
			}
			if err := f.add(&f.frames[i], stretch); err != nil {
				return err
			}
		}
		batch = batch[n:]
	}
	return nil
}

func (f *folder) stretchOf(r *record) int {
	if len(r.key) != journalKeySize {
		return -1
	}
	return f.s.stretchOf(journalSequence(r.key))
}

// isTaken reports whether a frame of the same key and instant was just taken from an older stretch: that one stands.
func (f *folder) isTaken(frame *fleet.Frame, stretch int) bool {
	for older := -1; older < stretch; older++ {
		b := f.builders[builderKey{frameKey{frame.Controller, frame.Group}, older}]
		if b != nil && b.last == frame.At.UnixNano() {
			return true
		}
	}
	return false
}

func (f *folder) add(frame *fleet.Frame, stretch int) error {
	key := builderKey{frameKey{frame.Controller, frame.Group}, stretch}
	if there, err := f.isFolded(key.frameKey, frame.At.UnixNano()); there || err != nil {
		return err
	}
	b := f.builders[key]
	if b != nil && !b.takes(frame) {
		f.finish(b, stretch)
		b = nil
	}
	if b == nil {
		b = &chunkBuilder{controller: frame.Controller, group: frame.Group}
		if f.builders == nil {
			f.builders = make(map[builderKey]*chunkBuilder)
		}
		f.builders[key] = b
	}
	return b.add(frame)
}

// isFolded reports whether a frame of that key and instant is in a chunk already: that one stands.
func (f *folder) isFolded(key frameKey, at int64) (bool, error) {
	spans := f.folded[key]
	for i := range spans {
		span := &spans[i]
		if at < span.key.first || at > span.key.last {
			continue
		}
		if span.at == nil {
			instants, err := f.s.instants(&span.key, &f.decoder)
			if err != nil {
				return false, err
			}
			span.at = instants
		}
		if _, ok := span.at[at]; ok {
			return true, nil
		}
	}
	return false, nil
}

func (f *folder) finish(b *chunkBuilder, stretch int) {
	key := chunkKey{
		window: windowOf(b.first), controller: b.controller, group: b.group, first: b.first, last: b.last,
	}
	body := b.encode(&f.coder)
	f.done = append(f.done, folded{key: key, stretch: stretch, body: body})
	f.doneSize += len(body)
}

func (f *folder) size() int {
	n := f.doneSize
	for _, b := range f.builders {
		n += b.size()
	}
	return n
}

// flush writes what was gathered, then takes the journal's records from first to end out. Between the two, and after a
// fold that was stopped there, frames are in both: readers and the next fold see that they are the same ones.
func (f *folder) flush(ctx context.Context, first, end []byte) error {
	for key, b := range f.builders {
		f.finish(b, key.stretch)
	}
	f.builders = nil
	slices.SortFunc(f.done, func(a, b folded) int { return bytes.Compare(a.key.bytes(), b.key.bytes()) })
	for done := f.done; len(done) > 0; {
		n, size := 0, 0
		for ; n < len(done) && (n == 0 || size+len(done[n].body) <= foldCommit); n++ {
			size += len(done[n].body)
		}
		if err := f.s.putChunks(ctx, done[:n]); err != nil {
			return err
		}
		f.s.remember(done[:n])
		for _, d := range done[:n] {
			key := frameKey{d.key.controller, d.key.group}
			f.folded[key] = append(f.folded[key], foldedSpan{key: d.key})
		}
		done = done[n:]
	}
	f.done, f.doneSize = nil, 0
	if end == nil {
		return nil
	}
	if err := f.s.quarantine(ctx, bucketJournal, f.bad); err != nil {
		return err
	}
	f.bad = nil
	return f.s.dropFolded(ctx, first, end, f.highest)
}
