package store

import (
	"bytes"
	"os"
	"time"

	"go.etcd.io/bbolt"
)

// A Stat says how a store is.
type Stat struct {
	Path           string
	Format         int       // version of the file format
	Created        time.Time // when the file was made
	Size           int64     // bytes of the file
	Free           int64     // bytes in it that are free to be used again
	Oldest, Newest time.Time // instants of the first and the last frame; zero: there is none
	Standing       int       // alarms that are not normal
	Damaged        uint64    // damaged records met since Open
	Quarantined    int       // damaged records that left their place, ever

	// Since Open:
	Frames     uint64 // frames acknowledged
	Readings   uint64 // values in them
	Changes    uint64 // changes of alarms acknowledged
	Commits    uint64
	Committing time.Duration // spent in commits
}

// spanChunks widens Oldest and Newest to what is folded, by the keys of the first and of the last window alone.
func (st *Stat) spanChunks(tx *bbolt.Tx) {
	b := chunksOf(tx)
	if b == nil {
		return
	}
	widen := func(k chunkKey) {
		if first := time.Unix(0, k.first).UTC(); st.Oldest.IsZero() || first.Before(st.Oldest) {
			st.Oldest = first
		}
		if last := time.Unix(0, k.last).UTC(); st.Newest.IsZero() || last.After(st.Newest) {
			st.Newest = last
		}
	}
	c := b.Cursor()
	first, _ := c.First()
	for k := first; k != nil && bytes.Equal(instant(k), instant(first)); k, _ = c.Next() {
		if key, ok := parseChunkKey(k); ok {
			widen(key)
		}
	}
	last, _ := c.Last()
	for k := last; k != nil && bytes.Equal(instant(k), instant(last)); k, _ = c.Prev() {
		if key, ok := parseChunkKey(k); ok {
			widen(key)
		}
	}
}

// Stat returns the state of the store. It is cheap: it reads no records.
func (s *Store) Stat() (Stat, error) {
	st := Stat{
		Path: s.path, Format: s.format, Created: s.created,
		Frames: s.counts.frames.Load(), Readings: s.counts.readings.Load(), Changes: s.counts.changes.Load(),
		Commits: s.counts.commits.Load(), Committing: time.Duration(s.counts.committing.Load()),
	}
	s.damage.mu.Lock()
	st.Damaged = s.damage.count
	s.damage.mu.Unlock()
	err := s.view(func(tx *bbolt.Tx) error {
		journal := tx.Bucket(bucketJournal).Cursor()
		if k, _ := journal.First(); len(k) == journalKeySize {
			st.Oldest = keyTime(k)
		}
		if k, _ := journal.Last(); len(k) == journalKeySize {
			st.Newest = keyTime(k)
		}
		st.spanChunks(tx)
		if b := tx.Bucket(bucketQuarantine); b != nil {
			st.Quarantined = b.Stats().KeyN
		}
		return tx.Bucket(bucketStanding).ForEach(func(_, _ []byte) error {
			st.Standing++
			return nil
		})
	})
	if err != nil {
		return Stat{}, explain("asking", s.path, err)
	}
	info, err := os.Stat(s.path)
	if err != nil {
		return Stat{}, explain("asking", s.path, err)
	}
	st.Size = info.Size()
	bolt := s.db.Stats()
	st.Free = int64(bolt.FreePageN+bolt.PendingPageN) * s.pageSize
	return st, nil
}
