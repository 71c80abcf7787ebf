package store

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// Options say how a store is opened. The zero value is good.
type Options struct {
	Logger   *slog.Logger  // told of damage, once for each record; nil: nobody is
	Wait     time.Duration // how long to wait for another program to close the file; 0: one second
	ReadOnly bool          // make, change and write nothing; several programs may read at once
}

// A Store is an open file of frames and alarms. Its methods may be called from several goroutines at once.
type Store struct {
	path     string
	readOnly bool
	log      *slog.Logger
	db       *bbolt.DB
	file     *os.File // the one that db uses
	created  time.Time
	pageSize int64

	// writer holds a token while a write is under way, so that waiting for it can be cancelled. What stands below
	// belongs to whoever put the token in.
	writer chan struct{}
	marked bool  // the file says that it was closed cleanly
	broken error // a write came upon damage: what bbolt remembers may be wrong, so it must not write again

	closed  atomic.Bool
	layouts layoutBook
	newest  newest
	counts  counts
	damage  damage
}

// counts are sums since Open.
type counts struct {
	frames, readings, changes, commits, committing atomic.Uint64 // committing in nanoseconds
}

// damage remembers which records were found damaged, so that each is counted and logged once.
type damage struct {
	mu    sync.Mutex
	known map[string]struct{} // at most damageKept; what comes later is counted each time it is met
	count uint64
}

const damageKept = 1000

// Close waits for the write under way, marks the file as closed cleanly and lets go of it. Readers that are half way
// get [ErrClosed] with their next batch. Closing again does nothing.
func (s *Store) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	s.writer <- struct{}{}
	defer func() { <-s.writer }()
	var err error
	if !s.readOnly && !s.marked && s.broken == nil {
		err = s.update(func(tx *bbolt.Tx) error {
			return tx.Bucket(bucketHead).Put(keyClosed, seal(keyClosed, nil))
		})
	}
	return explain("closing", s.path, errors.Join(err, guarded(s.db.Close)))
}

// view runs f in a short reading transaction. What f gets from it must be copied before f returns.
func (s *Store) view(f func(tx *bbolt.Tx) error) error {
	if s.closed.Load() {
		return ErrClosed
	}
	return guarded(func() error { return s.db.View(f) })
}

// update runs f in a writing transaction and commits it. bbolt's own Update reads the file again to take back what a
// panic left half done, which on a damaged file panics once more and leaves the database locked for ever.
func (s *Store) update(f func(tx *bbolt.Tx) error) error {
	return guarded(func() error {
		tx, err := s.db.Begin(true)
		if err != nil {
			return err
		}
		defer func() { _ = tx.Rollback() }() // only forgets; after a commit it does nothing
		if err := f(tx); err != nil {
			return err
		}
		return tx.Commit()
	})
}

// write runs f in the one writing transaction and makes it durable, then runs after, still before the next write.
// doing is for the error.
func (s *Store) write(ctx context.Context, doing string, f func(tx *bbolt.Tx) error, after func()) error {
	switch {
	case ctx.Err() != nil:
		return explain(doing, s.path, context.Cause(ctx))
	case s.closed.Load():
		return explain(doing, s.path, ErrClosed)
	case s.readOnly:
		return explain(doing, s.path, ErrReadOnly)
	}
	select {
	case s.writer <- struct{}{}:
	case <-ctx.Done():
		return explain(doing, s.path, context.Cause(ctx))
	}
	defer func() { <-s.writer }()
	if s.broken != nil {
		return s.broken
	}
	start := time.Now()
	err := s.update(func(tx *bbolt.Tx) error {
		if err := tx.Bucket(bucketHead).Delete(keyClosed); err != nil {
			return err
		}
		return f(tx)
	})
	if errors.Is(err, errPanic) {
		s.broken = explain(doing, s.path, err)
		return s.broken
	}
	if err != nil {
		return explain(doing, s.path, err)
	}
	s.marked = false
	s.counts.commits.Add(1)
	s.counts.committing.Add(uint64(time.Since(start)))
	after()
	return nil
}

// damagedRecord counts and logs a record that cannot be used.
func (s *Store) damagedRecord(bucket, key []byte, why error) {
	name := string(bucket) + "/" + string(key)
	s.damage.mu.Lock()
	_, again := s.damage.known[name]
	if !again {
		s.damage.count++
		if s.damage.known == nil {
			s.damage.known = make(map[string]struct{})
		}
		if len(s.damage.known) < damageKept {
			s.damage.known[name] = struct{}{}
		}
	}
	s.damage.mu.Unlock()
	if again {
		return
	}
	attrs := []any{"file", s.path, "bucket", string(bucket), "key", keyText(key), "why", why}
	if len(key) == journalKeySize {
		attrs = append(attrs, "instant", keyTime(key))
	}
	s.log.Warn("a damaged record in the store is skipped", attrs...)
}

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

	// Since Open:
	Frames     uint64 // frames acknowledged
	Readings   uint64 // values in them
	Changes    uint64 // changes of alarms acknowledged
	Commits    uint64
	Committing time.Duration // spent in commits
}

// Stat returns the state of the store. It is cheap: it reads no records.
func (s *Store) Stat() (Stat, error) {
	st := Stat{
		Path: s.path, Format: Format, Created: s.created,
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

// newest holds the newest answered frame of each controller and poll group.
type newest struct {
	mu     sync.Mutex
	frames map[frameKey]*fleet.Frame
}

type frameKey struct {
	controller fleet.ControllerID
	group      fleet.Group
}
