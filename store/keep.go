package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"syscall"
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
//
// Before raw frames go, the rollups of five minutes of their days are put down; while no fold is at work, so it may wait
// for one. Where the disk is too full for that, the frames go nonetheless: what is left of their days is the hours.
func (s *Store) DropBefore(ctx context.Context, kind Kind, before time.Time) (records int, err error) {
	doing := fmt.Sprintf("dropping old %v records of", kind)
	_, last := limits(time.Time{}, before)
	if last == math.MinInt64 {
		return 0, nil
	}
	drop := dropFine
	switch kind {
	case KindRaw:
		select {
		case s.folding <- struct{}{}:
		case <-ctx.Done():
			return 0, explain(doing, s.path, context.Cause(ctx))
		}
		defer func() { <-s.folding }()
		if err := s.keepFine(ctx, last); err != nil && !errors.Is(err, syscall.ENOSPC) {
			return 0, explain(doing, s.path, err)
		}
		drop = dropRaw
	case KindCoarse:
		drop = new(coarseDropper).drop
	}
	for more := true; more && err == nil; {
		n := 0
		err = s.write(ctx, doing, func(tx *bbolt.Tx) (err error) {
			n, more, err = drop(tx, last)
			return err
		}, func() {})
		if err == nil {
			records += n
		}
	}
	return records, err
}

// dropRaw drops some of the frames up to last, and notes that they are gone.
func dropRaw(tx *bbolt.Tx, last int64) (n int, more bool, err error) {
	if last >= rawFrom(tx) {
		body := binary.BigEndian.AppendUint64(nil, uint64(last)+1)
		if err := tx.Bucket(bucketHead).Put(keyRawFrom, seal(keyRawFrom, body)); err != nil {
			return 0, false, err
		}
	}
	n, err = dropUntil(tx.Bucket(bucketJournal), keyAfter(last), dropBatch)
	if err != nil || n == dropBatch {
		return n, n == dropBatch, err
	}
	c, run := tx.Bucket(bucketChunks).Cursor(), tx.Bucket(bucketBoot)
	for k, _ := c.First(); k != nil; {
		if n == dropBatch {
			return n, true, nil
		}
		key, ok := parseChunkKey(k)
		switch {
		case ok && key.window > last:
			k = nil
		case ok && key.last > last:
			k, _ = c.Next()
		default: // old, or a key that nobody can read
			next := append(bytes.Clone(k), 0)
			if err := c.Delete(); err != nil {
				return n, false, err
			}
			if run != nil {
				if err := run.Delete(next[:len(next)-1]); err != nil {
					return n, false, err
				}
			}
			n++
			k, _ = c.Seek(next)
		}
	}
	return n, false, nil
}

// dropFine drops some of the five-minute rollups of days up to last.
func dropFine(tx *bbolt.Tx, last int64) (n int, more bool, err error) {
	const day = int64(25 * time.Hour)
	if last < math.MinInt64+day {
		return 0, false, nil
	}
	n, err = dropUntil(tx.Bucket(bucketFine), keyAfter(last-day), dropBatch)
	return n, n == dropBatch, err
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

// A coarseDropper goes through all points, since their hours and days lie by point.
type coarseDropper struct{ next []byte }

func (d *coarseDropper) drop(tx *bbolt.Tx, last int64) (n int, more bool, err error) {
	const day = int64(25 * time.Hour)
	c := tx.Bucket(bucketCoarse).Cursor()
	looked := 0
	for k, _ := c.Seek(d.next); k != nil; looked++ {
		if looked == dropBatch {
			d.next = bytes.Clone(k)
			return n, true, nil
		}
		if len(k) >= 8 && keyNanos(k[len(k)-8:]) > last-day {
			k, _ = c.Next()
			continue
		}
		next := append(bytes.Clone(k), 0)
		if err := c.Delete(); err != nil {
			return n, false, err
		}
		n++
		k, _ = c.Seek(next)
	}
	return n, false, nil
}
