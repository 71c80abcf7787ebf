package store

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"go.etcd.io/bbolt"
)

// A Kind is one kind of what a store keeps for a limited time. Changes of alarms and the records of people and
// detectors are kept for ever.
type Kind uint8

// The kinds that are kept for a time each.
const (
	KindRaw         Kind = iota // frames
	KindFiveMinutes             // rollups of five minutes
	KindCoarse                  // rollups of hours and of days
)

// Kinds lists every kind.
var Kinds = []Kind{KindRaw, KindFiveMinutes, KindCoarse}

var kindNames = [...]string{"raw", "five-minutes", "coarse"}

// String returns the word that people see.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "?"
}

// dropBatch bounds the keys that are dropped in one transaction, so that no Append waits for long.
const dropBatch = 2000

// DropBefore drops what is older than before of one kind, in many small transactions, the oldest first. It returns how
// many records it dropped; ctx stops it between two transactions, and what was dropped stays dropped. A chunk of frames
// is dropped once all of it is older, a rollup once its whole day is. The room becomes free inside the file, and is used
// again: the file does not shrink.
func (s *Store) DropBefore(ctx context.Context, kind Kind, before time.Time) (records int, err error) {
	doing := fmt.Sprintf("dropping old %v records of", kind)
	if kind != KindRaw {
		return 0, nil
	}
	_, end := span(time.Time{}, before)
	for {
		n := 0
		err := s.write(ctx, doing, func(tx *bbolt.Tx) error {
			n, err = dropUntil(tx.Bucket(bucketJournal), end, dropBatch)
			return err
		}, func() {})
		records += n
		if err != nil || n < dropBatch {
			return records, err
		}
	}
}

// dropUntil deletes at most limit keys before end, from the first on; a nil end is no limit of time.
func dropUntil(b *bbolt.Bucket, end []byte, limit int) (n int, err error) {
	c := b.Cursor()
	for k, _ := c.First(); k != nil && n < limit; k, _ = c.First() {
		if end != nil && bytes.Compare(k, end) >= 0 {
			break
		}
		if err := c.Delete(); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
