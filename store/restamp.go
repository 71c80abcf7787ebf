package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A move is what one step of the clock moves: frames of the journal in its first commit, and each chunk in one of its own.
type move struct {
	before, after time.Time
	shifts        []time.Duration // of each stretch; nil: nothing moves
	number        int64           // see parting
	by            time.Duration   // what the number comes to
	limit         time.Time       // of the frames that stay: what comes to lie before it is kept apart

	keys     [][]byte // of journal records
	frames   []fleet.Frame
	chunks   []chunkMove
	moved    int // frames, of both
	overlaps bool
}

// A chunkMove is a chunk whose frames move.
type chunkMove struct {
	key chunkKey
	by  time.Duration
}

// plan finds what a step moves. The caller holds the token of folding.
func (s *Store) plan(ctx context.Context, before, after time.Time) (*move, error) {
	p := &move{before: before, after: after, shifts: s.shifts(before, after), limit: s.run.before}
	if p.shifts == nil {
		return p, nil
	}
	var err error
	if p.number, p.by, err = s.aside(true); err != nil {
		return nil, err
	}
	if drifted := time.Since(s.opened) / driftPart; after.Before(before) && before.Sub(after) <= drifted {
		var folded Stat // those frames stay, so others must not come to lie on them
		if err := s.view(func(tx *bbolt.Tx) error { folded.spanChunks(tx); return nil }); err != nil {
			return nil, err
		}
		p.limit = maxTime(p.limit, folded.Newest)
	} else if err := s.planChunks(p); err != nil {
		return nil, err
	}
	return p, s.planJournal(ctx, p)
}

// to returns where a frame comes to lie: on a whole millisecond, or beside it.
func (p *move) to(at time.Time, by time.Duration) time.Time {
	there := at.Add(by).Truncate(time.Duration(partLimit))
	if !there.After(p.limit) {
		p.overlaps = true
		there = there.Add(p.by)
	}
	if !storable(there) {
		return at
	}
	return there
}

// chunkKeys returns those of the chunks.
func (p *move) chunkKeys() []chunkKey {
	keys := make([]chunkKey, len(p.chunks))
	for i := range p.chunks {
		keys[i] = p.chunks[i].key
	}
	return keys
}

// planJournal takes the frames that were appended since Open and are not folded. Damaged records stay where they are.
func (s *Store) planJournal(ctx context.Context, p *move) error {
	u := unpacker{layout: s.layout}
	for batch, err := range s.records(ctx, bucketJournal, nil, nil) {
		if err != nil {
			return err
		}
		for i := range batch {
			r := &batch[i]
			if len(r.key) != journalKeySize {
				continue
			}
			stretch := s.stretchOf(journalSequence(r.key))
			if stretch < 0 || p.shifts[stretch] == 0 {
				continue
			}
			body, at, err := r.dated()
			n := len(p.frames)
			if err == nil {
				p.frames, err = u.unpack(p.frames, at, body)
			}
			if err != nil {
				s.damagedRecord(bucketJournal, r.key, err)
				p.frames = p.frames[:n]
				continue
			}
			for j := range p.frames[n:] {
				f := &p.frames[n+j]
				f.At, f.Restamped = p.to(f.At, p.shifts[stretch]), true
			}
			p.keys = append(p.keys, bytes.Clone(r.key))
		}
	}
	p.moved += len(p.frames)
	return nil
}

// planChunks takes the chunks that were folded in this run and are still there.
func (s *Store) planChunks(p *move) error {
	return s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketChunks)
		for _, r := range s.runChunks {
			stretch := s.stretchOf(r.sequence)
			if stretch < 0 || p.shifts[stretch] == 0 {
				continue
			}
			by := p.shifts[stretch]
			body, ok := unseal(r.key.bytes(), b.Get(r.key.bytes()))
			if !ok {
				continue // dropped by now, or damaged, which readers find
			}
			if c, err := parseChunk(body); err == nil {
				p.moved += c.rows
				p.chunks = append(p.chunks, chunkMove{r.key, by})
				p.to(time.Unix(0, r.key.first), by) // sees whether it overlaps
			}
		}
		return nil
	})
}

// begin moves the journal's frames, notes down which chunks are to follow, and records the step, all in one commit.
func (p *move) begin(tx *bbolt.Tx) error {
	packed, err := pack(p.frames)
	if err != nil {
		return err
	}
	journal := tx.Bucket(bucketJournal)
	for _, k := range p.keys {
		if err := journal.Delete(k); err != nil {
			return err
		}
	}
	if err := packed.put(journal); err != nil {
		return err
	}
	if err := p.note(tx); err != nil {
		return err
	}
	if p.number > 0 {
		if err := putParted(tx, p.number); err != nil {
			return err
		}
	}
	body := appendTime(appendTime(nil, p.before), p.after)
	body = binary.AppendUvarint(body, uint64(p.moved))
	return putEntry(tx.Bucket(bucketBooks), BookClock, &Entry{At: p.after, Body: body})
}

// note puts the chunks into the bucket of what is on its way.
func (p *move) note(tx *bbolt.Tx) error {
	if len(p.chunks) == 0 {
		return nil
	}
	b, err := tx.CreateBucketIfNotExists(bucketMoving)
	if err != nil {
		return err
	}
	for i := range p.chunks {
		key := p.chunks[i].key.bytes()
		body := binary.AppendVarint(nil, int64(p.chunks[i].by))
		body = appendTime(body, p.limit)
		body = binary.AppendVarint(body, int64(p.by))
		if err := b.Put(key, seal(key, body)); err != nil {
			return err
		}
	}
	return nil
}

// forget strikes chunks that are no more from those of this run.
func (s *Store) forget(gone []chunkKey) {
	if len(gone) == 0 || len(s.runChunks) == 0 {
		return
	}
	set := make(map[chunkKey]struct{}, len(gone))
	for _, k := range gone {
		set[k] = struct{}{}
	}
	kept := s.runChunks[:0]
	for _, r := range s.runChunks {
		if _, ok := set[r.key]; !ok {
			kept = append(kept, r)
		}
	}
	s.runChunks = kept
}

// finishMoves moves the chunks that are noted down, one in each commit: their frames go back to the journal, at their new
// instants, to be folded again.
func (s *Store) finishMoves(ctx context.Context) error {
	for {
		var r record
		err := s.view(func(tx *bbolt.Tx) error {
			b := tx.Bucket(bucketMoving)
			if b == nil {
				return nil
			}
			k, v := b.Cursor().First()
			r = record{bytes.Clone(k), bytes.Clone(v)}
			return nil
		})
		if err != nil || r.key == nil {
			return err
		}
		if err := s.moveChunk(ctx, &r); err != nil {
			return err
		}
	}
}

// moveChunk moves a chunk. One that cannot be read stays where it is.
func (s *Store) moveChunk(ctx context.Context, r *record) error {
	key, ok := parseChunkKey(r.key)
	var frames []fleet.Frame
	body, sound := unseal(r.key, r.value)
	w := wire{b: body}
	by := time.Duration(w.varint())
	p := move{limit: w.time(), by: time.Duration(w.varint())}
	if ok && sound && w.done() {
		var err error
		if frames, err = s.chunkFrames(&key); err != nil {
			return err
		}
	}
	for i := range frames {
		frames[i].At, frames[i].Restamped = p.to(frames[i].At, by), true
	}
	packed, err := pack(frames)
	if err != nil {
		return err
	}
	return s.write(ctx, "moving frames to another time in", func(tx *bbolt.Tx) error {
		if err := tx.Bucket(bucketMoving).Delete(r.key); err != nil || len(frames) == 0 {
			return err
		}
		chunks, journal := tx.Bucket(bucketChunks), tx.Bucket(bucketJournal)
		if err := packed.put(journal); err != nil {
			return err
		}
		if err := chunks.Delete(r.key); err != nil {
			return err
		}
		if err := s.putDue(tx.Bucket(bucketDue), &key); err != nil {
			return err
		}
		_, err := chunks.NextSequence() // tells readers that there is something new
		return err
	}, func() {})
}

// chunkFrames reads all frames of a chunk; none if it is damaged or gone.
func (s *Store) chunkFrames(k *chunkKey) ([]fleet.Frame, error) {
	body, err := s.chunkBody(k)
	if err != nil || body == nil {
		return nil, err
	}
	var c chunkReader
	var d decoder
	if err := c.open(*k, body, s.layout, &d); err != nil {
		s.damagedRecord(bucketChunks, k.bytes(), err)
		return nil, nil
	}
	var frames []fleet.Frame
	for f := c.next(); f != nil; f = c.next() {
		frames = append(frames, *f)
	}
	return frames, nil
}
