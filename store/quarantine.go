package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// A badRecord is one whose checksum does not match.
type badRecord struct{ bucket, key []byte }

// leaving are the buckets whose damaged records leave their place: those that a fold and a retention go over all the time.
// What is damaged elsewhere is little, stays where it is and is skipped; a layout heals when it is appended with again.
var leaving = [][]byte{bucketJournal, bucketChunks, bucketFine, bucketCoarse}

// toLeave notes down that a record is to be put into quarantine.
func (s *Store) toLeave(bucket, key []byte) {
	if s.readOnly || !slices.ContainsFunc(leaving, func(b []byte) bool { return bytes.Equal(b, bucket) }) {
		return
	}
	s.damage.mu.Lock()
	defer s.damage.mu.Unlock()
	if len(s.damage.leave) == damageKept {
		return
	}
	s.damage.leave = append(s.damage.leave, badRecord{bytes.Clone(bucket), bytes.Clone(key)})
	select {
	case s.damage.found <- struct{}{}:
	default:
	}
}

// Quarantine puts the damaged records that readers came upon since the last call where nobody stumbles over them any more,
// as they are, and returns how many. The rollups among them are made anew from their readings where those are there.
// [Store.RunFold] calls it as soon as there is something to do.
func (s *Store) Quarantine(ctx context.Context) (n int, err error) {
	const doing = "putting damaged records into quarantine in"
	select {
	case s.folding <- struct{}{}:
	case <-ctx.Done():
		return 0, explain(doing, s.path, context.Cause(ctx))
	}
	defer func() { <-s.folding }()
	s.damage.mu.Lock()
	leave := s.damage.leave
	s.damage.leave = nil
	s.damage.mu.Unlock()
	if len(leave) == 0 {
		return 0, nil
	}
	err = s.write(ctx, doing, func(tx *bbolt.Tx) error {
		n = 0
		for i := range leave {
			moved, err := s.isolate(tx, &leave[i])
			if err != nil {
				return err
			}
			if moved {
				n++
			}
		}
		_, err := tx.Bucket(bucketChunks).NextSequence() // tells readers that there is something new
		return err
	}, func() {})
	if err != nil {
		s.damage.mu.Lock()
		s.damage.leave = append(leave, s.damage.leave...)
		s.damage.mu.Unlock()
		return 0, err
	}
	return n, nil
}

// isolate moves a record, if it is damaged by itself still: one that only cannot be decoded, since its layout is damaged,
// may be readable again.
func (s *Store) isolate(tx *bbolt.Tx, r *badRecord) (bool, error) {
	b := tx.Bucket(r.bucket)
	value := b.Get(r.key)
	if value == nil {
		return false, nil
	}
	if _, ok := unseal(r.key, value); ok {
		return false, nil
	}
	if err := putQuarantine(tx, r.bucket, record{r.key, value}); err != nil {
		return false, err
	}
	if err := b.Delete(r.key); err != nil {
		return false, err
	}
	if id, _, start, ok := rollupKey(r.bucket, r.key); ok {
		d := dayOf(time.Unix(0, start), s.zone(id))
		if d.start = start; lacking(tx, d) || d.end <= start {
			return true, nil
		}
		key := dueKey(id, start)
		return true, tx.Bucket(bucketDue).Put(key, seal(key, binary.BigEndian.AppendUint64(nil, uint64(d.end))))
	}
	return true, nil
}

func putQuarantine(tx *bbolt.Tx, from []byte, r record) error {
	key := append(append(bytes.Clone(from), '/'), r.key...)
	return tx.Bucket(bucketQuarantine).Put(key, seal(key, r.value))
}

// lost reports whether a chunk of a controller is in quarantine that rollups of a day may have been made of: those know more
// than what is left.
func lost(tx *bbolt.Tx, id fleet.ControllerID, d day) bool {
	b := tx.Bucket(bucketQuarantine)
	if b == nil {
		return false
	}
	prefix := append(bytes.Clone(bucketChunks), '/')
	first, last := max(d.start, math.MinInt64+around)-around, min(d.end, math.MaxInt64-around)+around
	c := b.Cursor()
	for k, _ := c.Seek(appendKeyTime(bytes.Clone(prefix), windowOf(first))); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		key, ok := parseChunkKey(k[len(prefix):])
		if ok && key.window > last {
			return false
		}
		if ok && key.controller == id && key.last >= first && key.first <= last {
			return true
		}
	}
	return false
}

// loses reports whether a chunk of a controller that rollups of a day may have been made of is damaged in its place: nobody
// came upon it yet, or only just.
func loses(tx *bbolt.Tx, id fleet.ControllerID, d day) bool {
	first, last := max(d.start, math.MinInt64+around)-around, min(d.end, math.MaxInt64-around)+around
	for at := windowOf(first); ; at = windowEnd(at) + 1 {
		prefix := chunkPrefix(at, id)
		c := tx.Bucket(bucketChunks).Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			if _, ok := unseal(k, v); !ok {
				return true
			}
		}
		if windowEnd(at) >= last {
			return false
		}
	}
}

// rollupKey takes the key of a rollup record apart.
func rollupKey(bucket, key []byte) (id fleet.ControllerID, point string, start int64, ok bool) {
	var w wire
	switch {
	case len(key) < 8:
		return "", "", 0, false
	case bytes.Equal(bucket, bucketFine):
		start, w.b = keyNanos(key), key[8:]
	case bytes.Equal(bucket, bucketCoarse):
		start, w.b = keyNanos(key[len(key)-8:]), key[:len(key)-8]
	default:
		return "", "", 0, false
	}
	id, point = fleet.ControllerID(w.text()), w.text()
	return id, point, start, w.done()
}

// Quarantined says what lies in quarantine, each in words, at most limit of them; all is how many there are.
func (s *Store) Quarantined(ctx context.Context, limit int) (some []string, all int, err error) {
	for batch, err := range s.records(ctx, bucketQuarantine, nil, nil) {
		if err != nil {
			return nil, 0, explain("asking", s.path, err)
		}
		for i := range batch {
			if all++; len(some) < limit {
				bucket, key, _ := bytes.Cut(batch[i].key, []byte("/"))
				some = append(some, describe(bucket, key))
			}
		}
	}
	return some, all, nil
}

// describe says in words which record a key is of, and then where it stands.
func describe(bucket, key []byte) string {
	name := fmt.Sprintf("%s %s", bucket, keyText(key))
	when := func(nanos int64) string { return time.Unix(0, nanos).UTC().Format(time.DateTime + " UTC") }
	switch {
	case bytes.Equal(bucket, bucketJournal) && len(key) == journalKeySize:
		return fmt.Sprintf("readings of %s (%s)", when(keyNanos(key)), name)
	case bytes.Equal(bucket, bucketChunks):
		if k, ok := parseChunkKey(key); ok {
			return fmt.Sprintf("%v readings of %s from %s to %s (%s)", k.group, k.controller, when(k.first), when(k.last), name)
		}
	}
	if id, point, start, ok := rollupKey(bucket, key); ok {
		return fmt.Sprintf("rollups of %s of %s of the day from %s (%s)", point, id, when(start), name)
	}
	if len(key) == journalKeySize {
		return fmt.Sprintf("a record of %s (%s)", when(keyNanos(key)), name)
	}
	return name
}
