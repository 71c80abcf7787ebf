package store

import (
	"bytes"
	"context"

	"go.etcd.io/bbolt"
)

// putChunks writes chunks in one commit, and notes whose days' rollups are due.
func (s *Store) putChunks(ctx context.Context, chunks []folded) error {
	return s.write(ctx, "folding", func(tx *bbolt.Tx) error {
		b, due := tx.Bucket(bucketChunks), tx.Bucket(bucketDue)
		b.FillPercent = 1 // keys come in the order of time: a page that is full stays as it is
		for i := range chunks {
			k := &chunks[i].key
			key := k.bytes()
			if err := b.Put(key, seal(key, chunks[i].body)); err != nil {
				return err
			}
			if err := s.putDue(due, k); err != nil {
				return err
			}
		}
		if err := s.noteRunChunks(tx, nil, chunks); err != nil {
			return err
		}
		_, err := b.NextSequence() // tells readers that there is something new
		return err
	}, func() {})
}

// dropFolded takes the records of a span out of the journal, but for those that came after the fold began.
func (s *Store) dropFolded(ctx context.Context, first, end []byte, highest uint64) error {
	for more := true; more; {
		err := s.write(ctx, "folding", func(tx *bbolt.Tx) error {
			c, n := tx.Bucket(bucketJournal).Cursor(), 0
			more = false
			for k, _ := c.Seek(first); k != nil && bytes.Compare(k, end) < 0; k, _ = c.Seek(first) {
				if n == dropBatch {
					more = true
					return nil
				}
				if len(k) == journalKeySize && journalSequence(k) > highest {
					first = append(bytes.Clone(k), 0)
					continue
				}
				if err := c.Delete(); err != nil {
					return err
				}
				n++
			}
			return nil
		}, func() {})
		if err != nil {
			return err
		}
	}
	return nil
}

// quarantine keeps damaged records of a bucket as they are, before they are taken out of it.
func (s *Store) quarantine(ctx context.Context, from []byte, records []record) error {
	if len(records) == 0 {
		return nil
	}
	return s.write(ctx, "folding", func(tx *bbolt.Tx) error {
		for _, r := range records {
			if err := putQuarantine(tx, from, r); err != nil {
				return err
			}
		}
		return nil
	}, func() {})
}

// chunkKeys calls f with the key of each chunk of a window, in short transactions, and with the size of its value.
func (s *Store) chunkKeys(ctx context.Context, start int64, f func(k chunkKey, size int)) error {
	next := appendKeyTime(nil, start)
	prefix := bytes.Clone(next)
	for next != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		err := s.view(func(tx *bbolt.Tx) error {
			c, n := chunksOf(tx).Cursor(), 0
			k, v := c.Seek(next)
			for ; bytes.HasPrefix(k, prefix); k, v = c.Next() {
				if n++; n > dropBatch {
					next = bytes.Clone(k)
					return nil
				}
				if key, ok := parseChunkKey(k); ok {
					f(key, len(k)+len(v))
				}
			}
			next = nil
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// instants returns the instants of a chunk's frames; none if it is damaged, since nothing of it can be read then.
func (s *Store) instants(k *chunkKey, d *decoder) (map[int64]struct{}, error) {
	body, err := s.chunkBody(k)
	if err != nil {
		return nil, err
	}
	return instantsOf(body, d), nil
}

// instantsOf returns the instants of the frames in a chunk's body.
func instantsOf(body []byte, d *decoder) map[int64]struct{} {
	set := make(map[int64]struct{})
	c, err := parseChunk(body)
	var r columnReader
	if err != nil || !c.fixed(&r, columnAt, d) {
		return set
	}
	at := make([]uint64, c.rows)
	r.read(at)
	for _, t := range at {
		set[int64(t)] = struct{}{}
	}
	return set
}

// chunkBody returns a copy of a chunk's body, nil if it is damaged or gone.
func (s *Store) chunkBody(k *chunkKey) (body []byte, err error) {
	key := k.bytes()
	err = s.view(func(tx *bbolt.Tx) error {
		value := chunksOf(tx).Get(key)
		if value == nil {
			return nil
		}
		b, ok := unseal(key, value)
		if !ok {
			s.damagedRecord(bucketChunks, key, errChecksum)
			return nil
		}
		body = bytes.Clone(b)
		return nil
	})
	return body, err
}
