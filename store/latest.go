package store

import (
	"bytes"
	"context"
	"slices"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// rebuildLimit bounds the bytes of journal that Open reads back to find the newest frames: more than an hour of 200
// controllers that are read every 10 s, days of a small site.
const rebuildLimit = 4 << 20

// Latest returns the newest answered frame of each poll group of a controller, in the order of the groups; none if it
// has not answered. The frames belong to the caller.
//
// The newest frames are held in memory: records of them in the file would make a commit of 200 controllers write 94 KiB
// instead of 38 (measured, 20 points each). Open finds them in the last 4 MiB of the journal and of the chunks before it: a controller whose last
// answer lies further back has no latest frame until it answers again, while [Store.Frames] still finds that one. A
// frame that a wrong clock stamped too late stays the newest until its instant has passed.
func (s *Store) Latest(ctx context.Context, id fleet.ControllerID) ([]fleet.Frame, error) {
	switch {
	case ctx.Err() != nil:
		return nil, explain("reading the latest frames from", s.path, context.Cause(ctx))
	case s.closed.Load():
		return nil, explain("reading the latest frames from", s.path, ErrClosed)
	}
	packed := make([]packedFrame, len(fleet.Groups))
	s.newest.mu.Lock()
	for i, g := range fleet.Groups {
		packed[i] = s.newest.frames[frameKey{id, g}]
	}
	s.newest.mu.Unlock()
	u := unpacker{layout: s.layout, only: []byte(id)}
	var frames []fleet.Frame
	for i, g := range fleet.Groups {
		all, err := packed[i].unpack(&u)
		if err != nil {
			return nil, explain("reading the latest frames from", s.path, err)
		}
		if k := slices.IndexFunc(all, func(f fleet.Frame) bool { return f.Group == g && f.Outcome == fleet.Answered }); k >= 0 {
			frames = append(frames, all[k])
		}
	}
	return frames, nil
}

// newest holds the newest answered frame of each controller and poll group, packed as in the journal: taking them over
// so costs an append a tenth of what copies of their values would.
type newest struct {
	mu     sync.Mutex
	frames map[frameKey]packedFrame
}

type frameKey struct {
	controller fleet.ControllerID
	group      fleet.Group
}

// A packedFrame is in the body of a journal value, perhaps with others of its instant.
type packedFrame struct {
	at   time.Time
	body []byte // nil: there is no frame
}

// unpack returns the frames of the unpacker's only controller.
func (p *packedFrame) unpack(u *unpacker) ([]fleet.Frame, error) {
	if p.body == nil {
		return nil, nil
	}
	return u.unpack(nil, p.at.Round(0).UTC(), p.body)
}

// put takes over those frames that are newer than what it has. Of two of one instant the first stands.
func (n *newest) put(p *packer) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i := range p.parcels {
		for _, f := range p.parcels[i].frames {
			if f.Outcome != fleet.Answered {
				continue
			}
			key := frameKey{f.Controller, f.Group}
			if have, ok := n.frames[key]; ok && !f.At.After(have.at) {
				continue
			}
			if n.frames == nil {
				n.frames = make(map[frameKey]packedFrame)
			}
			n.frames[key] = packedFrame{f.At, p.parcels[i].body()}
		}
	}
}

// putFrames does the same with frames that were read back.
func (n *newest) putFrames(frames []fleet.Frame) error {
	p, err := pack(frames)
	if err == nil {
		n.put(p)
	}
	return err
}

// has reports whether it has a frame.
func (n *newest) has(key frameKey) bool {
	_, ok := n.frames[key]
	return ok
}

// rebuild finds the newest frames, from the end of the journal backwards, in place of those that are known.
func (s *Store) rebuild() error {
	var n newest
	if err := s.rebuildInto(&n); err != nil {
		return err
	}
	s.newest.mu.Lock()
	defer s.newest.mu.Unlock()
	s.newest.frames = n.frames
	return nil
}

func (s *Store) rebuildInto(n *newest) error {
	u := unpacker{layout: s.layout, want: func(id []byte, g fleet.Group, o fleet.Outcome) bool {
		return o == fleet.Answered && !n.has(frameKey{fleet.ControllerID(id), g})
	}}
	var before []byte
	var b batch
	for read := 0; read < rebuildLimit; {
		err := s.view(func(tx *bbolt.Tx) error { return b.fillBackwards(tx.Bucket(bucketJournal), before) })
		if err != nil {
			return explain("opening", s.path, err)
		}
		if len(b.records) == 0 {
			return s.rebuildFromChunks(n, rebuildLimit-read)
		}
		read += len(b.memory)
		slices.Reverse(b.records)
		before = bytes.Clone(b.records[0].key)
		for end := len(b.records); end > 0; {
			start := end - 1
			for start > 0 && bytes.Equal(instant(b.records[start-1].key), instant(b.records[start].key)) {
				start--
			}
			frames, _ := s.unpackInstant(&u, nil, b.records[start:end])
			if err := n.putFrames(frames); err != nil {
				return explain("opening", s.path, err)
			}
			end = start
		}
	}
	return nil
}

// rebuildFromChunks goes on with the chunks, for controllers whose last answer is folded.
func (s *Store) rebuildFromChunks(n *newest, budget int) error {
	var before []byte
	var d decoder
	for budget > 0 {
		var records batch
		err := s.view(func(tx *bbolt.Tx) error {
			if chunksOf(tx) == nil {
				return nil
			}
			return records.fillBackwards(chunksOf(tx), before)
		})
		if err != nil {
			return explain("opening", s.path, err)
		}
		if len(records.records) == 0 {
			return nil
		}
		budget -= len(records.memory)
		before = bytes.Clone(records.records[len(records.records)-1].key)
		for i := range records.records {
			if err := s.latestOf(n, &records.records[i], &d); err != nil {
				s.damagedRecord(bucketChunks, records.records[i].key, err)
			}
		}
	}
	return nil
}

// latestOf looks for newer frames than are known in a chunk.
func (s *Store) latestOf(n *newest, r *record, d *decoder) error {
	key, ok := parseChunkKey(r.key)
	if !ok {
		return errKey
	}
	if have, ok := n.frames[frameKey{key.controller, key.group}]; ok && have.at.UnixNano() >= key.last {
		return nil
	}
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	var c chunkReader
	if err := c.open(key, body, s.layout, d); err != nil {
		return err
	}
	var last fleet.Frame
	for f := c.next(); f != nil; f = c.next() {
		if f.Outcome == fleet.Answered && (last.Outcome != fleet.Answered || f.At.After(last.At)) {
			values := append(last.Values[:0], f.Values...)
			last = *f
			last.Values = values
		}
	}
	if last.Outcome != fleet.Answered {
		return nil
	}
	return n.putFrames([]fleet.Frame{last})
}

// fillBackwards copies whole instants that lie before a key, the last ones first; nil: before the end.
func (b *batch) fillBackwards(bucket *bbolt.Bucket, before []byte) error {
	b.records, b.memory = b.records[:0], b.memory[:0]
	c := bucket.Cursor()
	k, v := c.Last()
	if before != nil {
		c.Seek(before)
		k, v = c.Prev()
	}
	for ; k != nil; k, v = c.Prev() {
		n := len(b.records)
		if len(b.memory) >= batchLimit && !together(b.records[n-1].key, k) {
			break
		}
		b.add(k, v)
	}
	return nil
}
