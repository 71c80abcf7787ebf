package store

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A Usage says what takes how much room in a file.
type Usage struct {
	Buckets     []BucketUsage     // in the order of their names
	Controllers []ControllerUsage // in the order of their ids
}

// A BucketUsage is the room of one bucket.
type BucketUsage struct {
	Name    string
	Records int
	Bytes   int64 // of the pages in use
}

// A ControllerUsage says what is kept of one controller's frames.
type ControllerUsage struct {
	Controller     fleet.ControllerID
	Oldest, Newest time.Time // instants of its first and its last frame
	Frames         int
	Readings       int   // values in them
	Folded         int   // how many of the readings are in chunks
	Bytes          int64 // of its chunks; the journal's cannot be told apart
}

// Usage reads the whole file, in short transactions. The sums of all controllers' Folded and of the chunks' Bytes give
// the bytes per reading.
func (s *Store) Usage(ctx context.Context) (Usage, error) {
	var u Usage
	err := s.view(func(tx *bbolt.Tx) error {
		return tx.ForEach(func(name []byte, b *bbolt.Bucket) error {
			st := b.Stats()
			u.Buckets = append(u.Buckets, BucketUsage{
				Name: string(name), Records: st.KeyN, Bytes: int64(st.LeafAlloc + st.BranchAlloc),
			})
			return nil
		})
	})
	if err != nil {
		return u, explain("asking", s.path, err)
	}
	slices.SortFunc(u.Buckets, func(a, b BucketUsage) int { return strings.Compare(a.Name, b.Name) })
	of := make(map[fleet.ControllerID]*ControllerUsage)
	err = s.chunkUsage(ctx, of)
	if err == nil {
		err = s.journalUsage(ctx, of)
	}
	if err != nil {
		return u, explain("asking", s.path, err)
	}
	for _, c := range of {
		u.Controllers = append(u.Controllers, *c)
	}
	slices.SortFunc(u.Controllers, func(a, b ControllerUsage) int {
		return bytes.Compare([]byte(a.Controller), []byte(b.Controller))
	})
	return u, nil
}

func (s *Store) chunkUsage(ctx context.Context, of map[fleet.ControllerID]*ControllerUsage) error {
	for batch, err := range s.records(ctx, bucketChunks, nil, nil) {
		if err != nil {
			return err
		}
		for i := range batch {
			r := &batch[i]
			k, ok := parseChunkKey(r.key)
			if !ok {
				continue
			}
			c := usageOf(of, k.controller)
			c.Bytes += int64(len(r.key) + len(r.value))
			body, ok := unseal(r.key, r.value)
			if !ok {
				continue // Verify names it
			}
			if chunk, err := parseChunk(body); err == nil {
				c.spans(time.Unix(0, k.first).UTC(), time.Unix(0, k.last).UTC())
				readings := chunk.valued * (len(chunk.columns) - columnsFixed)
				c.Frames, c.Readings, c.Folded = c.Frames+chunk.rows, c.Readings+readings, c.Folded+readings
			}
		}
	}
	return nil
}

func (s *Store) journalUsage(ctx context.Context, of map[fleet.ControllerID]*ControllerUsage) error {
	u := unpacker{layout: s.layout}
	var frames []fleet.Frame
	for batch, err := range s.records(ctx, bucketJournal, nil, nil) {
		if err != nil {
			return err
		}
		for len(batch) > 0 {
			n := sameInstant(batch)
			frames, _ = s.unpackInstant(&u, frames[:0], batch[:n])
			batch = batch[n:]
			for i := range frames {
				f := &frames[i]
				c := usageOf(of, f.Controller)
				c.spans(f.At, f.At)
				c.Frames++
				c.Readings += len(f.Values)
			}
		}
	}
	return nil
}

func usageOf(of map[fleet.ControllerID]*ControllerUsage, id fleet.ControllerID) *ControllerUsage {
	c := of[id]
	if c == nil {
		c = &ControllerUsage{Controller: id}
		of[id] = c
	}
	return c
}

func (c *ControllerUsage) spans(first, last time.Time) {
	if c.Frames == 0 || first.Before(c.Oldest) {
		c.Oldest = first
	}
	if c.Frames == 0 || last.After(c.Newest) {
		c.Newest = last
	}
}
