package store

import (
	"context"
	"time"

	"go.etcd.io/bbolt"
)

// joinWindow makes one chunk of the short ones that a window got because its frames were folded bit by bit: a long one
// takes a fifth of the room. What is read stays the same, and so does it if this is stopped anywhere. Chunks that overlap
// in time stay as they are. The caller holds the token of folds.
func (s *Store) joinWindow(ctx context.Context, start int64) error {
	of := make(map[builderKey][]chunkKey) // those of two stretches stay apart, since a step of the clock may move the ones alone
	var order []builderKey
	stretches := s.stretchesOf(start)
	err := s.chunkKeys(ctx, start, func(k chunkKey, _ int) {
		key := builderKey{frameKey{k.controller, k.group}, -1}
		if i, ok := stretches[k]; ok {
			key.stretch = i
		}
		if of[key] == nil {
			order = append(order, key)
		}
		of[key] = append(of[key], k)
	})
	if err != nil {
		return err
	}
	j := joiner{s: s}
	for _, key := range order {
		if keys := of[key]; len(keys) > 1 && apart(keys) {
			if err := j.join(ctx, key.stretch, keys); err != nil {
				return err
			}
		}
	}
	return j.flush(ctx)
}

// apart reports whether chunks, in the order of their first frames, come one after the other.
func apart(keys []chunkKey) bool {
	for i := 1; i < len(keys); i++ {
		if keys[i].first <= keys[i-1].last {
			return false
		}
	}
	return true
}

// A joiner puts longer chunks in the place of shorter ones.
type joiner struct {
	s       *Store
	decoder decoder
	coder   coder
	made    []joined
	size    int
}

// A joined is the chunks that are to stand in the place of others.
type joined struct {
	gone []chunkKey
	made []folded
	done bool
}

// join makes one controller's and poll group's chunks of a window anew. With one that is damaged all stay as they are.
func (j *joiner) join(ctx context.Context, stretch int, keys []chunkKey) error {
	var b *chunkBuilder
	done := joined{gone: keys}
	finish := func() {
		if b != nil {
			k := chunkKey{window: windowOf(b.first), controller: b.controller, group: b.group, first: b.first, last: b.last}
			done.made = append(done.made, folded{k, stretch, b.encode(&j.coder)})
		}
	}
	for i := range keys {
		body, err := j.s.chunkBody(&keys[i])
		if err != nil {
			return err
		}
		var c chunkReader
		if body == nil || c.open(keys[i], body, j.s.layout, &j.decoder) != nil {
			return nil
		}
		for f := c.next(); f != nil; f = c.next() {
			if b == nil || !b.takes(f) {
				finish()
				b = &chunkBuilder{controller: f.Controller, group: f.Group}
			}
			if err := b.add(f); err != nil {
				return err
			}
		}
	}
	if finish(); len(done.made) >= len(keys) {
		return nil
	}
	j.made = append(j.made, done)
	for _, m := range done.made {
		j.size += len(m.body)
	}
	if j.size < foldCommit {
		return nil
	}
	return j.flush(ctx)
}

// flush writes what was joined and takes away what it was made of, in one commit.
func (j *joiner) flush(ctx context.Context) error {
	made := j.made
	j.made, j.size = nil, 0
	if len(made) == 0 {
		return nil
	}
	return j.s.write(ctx, "joining chunks of", func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketChunks)
		b.FillPercent = 0.9
		for i := range made {
			if err := replaceChunks(b, &made[i]); err != nil {
				return err
			}
			if made[i].done {
				if err := j.s.noteRunChunks(tx, made[i].gone, made[i].made); err != nil {
					return err
				}
			}
		}
		_, err := b.NextSequence() // tells readers that there is something new
		return err
	}, func() {
		for i := range made {
			if made[i].done {
				j.s.forget(made[i].gone)
				j.s.remember(made[i].made)
			}
		}
	})
}

// replaceChunks does it for one controller and poll group, unless some of it was dropped for its age meanwhile.
func replaceChunks(b *bbolt.Bucket, j *joined) error {
	for i := range j.gone {
		if b.Get(j.gone[i].bytes()) == nil {
			return nil
		}
	}
	j.done = true
	for i := range j.gone {
		if err := b.Delete(j.gone[i].bytes()); err != nil {
			return err
		}
	}
	for i := range j.made {
		key := j.made[i].key.bytes()
		if err := b.Put(key, seal(key, j.made[i].body)); err != nil {
			return err
		}
	}
	return nil
}

// waits reports whether more than limit bytes of the journal lie before an instant.
func (s *Store) waits(before time.Time, limit int) (bool, error) {
	size := 0
	end := before.UnixNano()
	err := s.view(func(tx *bbolt.Tx) error {
		c := tx.Bucket(bucketJournal).Cursor()
		for k, v := c.First(); len(k) >= 8 && keyNanos(k) < end && size <= limit; k, v = c.Next() {
			size += len(k) + len(v)
		}
		return nil
	})
	return size > limit, err
}
