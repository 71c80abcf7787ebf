package store

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"iter"
	"time"

	"go.etcd.io/bbolt"
)

// batchLimit bounds the bytes that a reader copies in one transaction. The records of one instant are never torn
// apart, so an instant with more than that is copied whole. Readers hold several times as much of what they unpack from it.
const batchLimit = 64 << 10

var (
	errChecksum = errors.New("its checksum does not match")
	errKey      = errors.New("its key makes no sense")
)

// A record is one key and value, copied out of the file.
type record struct{ key, value []byte }

// dated returns the body and the instant of a record whose key is one of time and sequence.
func (r *record) dated() ([]byte, time.Time, error) {
	if len(r.key) != journalKeySize {
		return nil, time.Time{}, errKey
	}
	body, ok := unseal(r.key, r.value)
	if !ok {
		return nil, time.Time{}, errChecksum
	}
	return body, keyTime(r.key), nil
}

// instant returns the part of a key that says the time.
func instant(key []byte) []byte { return key[:min(8, len(key))] }

// span returns the keys between which the records of [from, to) lie. A nil key is no limit.
func span(from, to time.Time) (first, end []byte) {
	if !from.IsZero() && from.After(earliest) {
		k := timeKey(minTime(from, latest))
		first = k[:]
		if from.After(latest) {
			first = bytes.Repeat([]byte{0xff}, journalKeySize) // beyond every key
		}
	}
	if !to.IsZero() && !to.After(latest) {
		k := timeKey(maxTime(to, earliest))
		end = k[:]
	}
	return first, end
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// records gives the records of a bucket with first <= key < end, in batches of whole instants. Each batch is valid
// until the next one; no transaction is open while the consumer has it.
func (s *Store) records(ctx context.Context, bucket, first, end []byte) iter.Seq2[[]record, error] {
	return s.recordsInto(ctx, new(batch), bucket, first, end)
}

// recordsInto is records in memory that the caller has, and may use again when the loop is over.
func (s *Store) recordsInto(ctx context.Context, b *batch, bucket, first, end []byte) iter.Seq2[[]record, error] {
	return func(yield func([]record, error) bool) {
		for next := first; ; {
			if ctx.Err() != nil {
				yield(nil, context.Cause(ctx))
				return
			}
			if err := s.view(func(tx *bbolt.Tx) error { return b.fill(tx.Bucket(bucket), next, end) }); err != nil {
				yield(nil, err)
				return
			}
			if len(b.records) == 0 || !yield(b.records, nil) {
				return
			}
			next = append(bytes.Clone(b.records[len(b.records)-1].key), 0)
		}
	}
}

// A batch copies records into memory that it uses again.
type batch struct {
	records []record
	memory  []byte
}

func (b *batch) fill(bucket *bbolt.Bucket, first, end []byte) error {
	b.records, b.memory = b.records[:0], b.memory[:0]
	if bucket == nil { // it comes with its first record
		return nil
	}
	c := bucket.Cursor()
	for k, v := c.Seek(first); k != nil; k, v = c.Next() {
		if end != nil && bytes.Compare(k, end) >= 0 {
			break
		}
		if n := len(b.records); len(b.memory) >= batchLimit && !together(b.records[n-1].key, k) {
			break
		}
		b.add(k, v)
	}
	return nil
}

// together reports whether two keys are dated, and of one instant.
func together(a, b []byte) bool {
	return len(a) == journalKeySize && len(b) == journalKeySize && bytes.Equal(instant(a), instant(b))
}

// add copies a record. One that is larger than any of ours is damaged, and loses its value.
func (b *batch) add(k, v []byte) {
	if len(v) > valueLimit {
		v = nil
	}
	start := len(b.memory)
	b.memory = append(append(b.memory, k...), v...)
	whole := b.memory[start:len(b.memory):len(b.memory)]
	b.records = append(b.records, record{key: whole[:len(k):len(k)], value: whole[len(k):]})
}

// keyText shows a key to people.
func keyText(key []byte) string { return hex.EncodeToString(key) }
