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
	Existing bool          // make no store where there is none: [Open] says [fs.ErrNotExist] then, as it does with ReadOnly
	// Zone says whose days a controller's rollups follow. It is called from several goroutines; nil, or a nil zone: UTC.
	Zone func(fleet.ControllerID) *time.Location
	// Boot says which start of the machine it is, and what time: [ThisBoot] where frames are stamped by its clock. The zero
	// value: nothing is known of the clock but what StepClock says.
	Boot Boot
}

// A Store is an open file of frames and alarms. Its methods may be called from several goroutines at once.
type Store struct {
	path     string
	readOnly bool
	existing bool // no store is made
	log      *slog.Logger
	zoneOf   func(fleet.ControllerID) *time.Location
	db       *bbolt.DB
	file     *os.File // the one that db uses
	format   int      // of the file
	created  time.Time
	pageSize int64

	boot         Boot
	opened       time.Time   // by the steady clock: when the run began
	newestAtOpen time.Time   // instant of the newest frame when the file was opened
	overlaps     atomic.Bool // a frame of this run was appended that is not newer
	parting      parting
	// run is changed by Open and StepClock alone, and so where Append is called.
	run     clockRun
	resumed bool // an earlier program began it

	// writer holds a token while a write is under way, so that waiting for it can be cancelled. What stands below
	// belongs to whoever put the token in.
	writer chan struct{}
	marked bool  // the file says that it was closed cleanly
	broken error // a write came upon damage: what bbolt remembers may be wrong, so it must not write again
	listed int   // free pages up to which each commit writes the list of them; see listFree
	end    int64 // of the file's pages when the last write began; 0: none did
	ahead  int64 // where the room ends that was written with noughts; see writeAhead

	loaders sync.Pool // of *runLoader, for their memory

	// folding holds a token while a fold is at work. What stands below belongs to whoever put the token in.
	folding   chan struct{}
	runChunks []runChunk          // the oldest first, at most runChunksKept
	fine      map[string]struct{} // days whose five minutes were made; see noteFine
	joined    int64               // the end of the windows whose chunks were joined; 0: not since Open

	views   atomic.Uint64 // reading transactions; see viewsToRelease
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
	leave []badRecord   // are to leave their place, at most damageKept: what is more is met again
	found chan struct{} // holds a token when there are some
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
		s.db.NoFreelistSync = false // so that opening it need not look for them
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
	err := guarded(func() error { return s.db.View(f) })
	if s.views.Add(1)%viewsToRelease == 0 {
		s.releaseUpTo(smallFile)
	}
	return err
}

const (
	// viewsToRelease is after how many reading transactions the process lets go of the file's pages that they touched: a report of
	// a month takes about as many. RunFold does so by the clock, but many pages may be asked for between.
	viewsToRelease = 500
	// smallFile is up to which size that is done, a site's on a small box: to bring the pages back takes longer in a large one, half as
	// long again for a report of one of 300 sites, and a server has the memory.
	smallFile = 512 << 20
)

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
	s.listFree()
	err := s.update(func(tx *bbolt.Tx) error {
		s.writeAhead(tx)
		if err := tx.Bucket(bucketHead).Delete(keyClosed); err != nil {
			return err
		}
		return f(tx)
	})
	if errors.Is(err, errPanic) {
		s.broken = explain(doing, s.path, err)
		s.damage.mu.Lock()
		s.damage.count++
		s.damage.mu.Unlock()
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

// listedFree is how many free pages a commit lists in the file: as many as two pages of the list hold.
const listedFree = 1000

// listFree decides whether the next commit writes the list of free pages, which bbolt writes anew each time, whole: after
// the fold of a large fleet it would be many times what the commit is for (measured: 104 KiB in each for half a day of
// 200 controllers). Where it is left out, bbolt finds the free pages by looking at all pages, when the file is opened
// after it was not closed, and when a commit fails. The caller holds the writer's token.
func (s *Store) listFree() {
	st := s.db.Stats()
	s.db.NoFreelistSync = st.FreePageN+st.PendingPageN > s.listed
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
	s.toLeave(bucket, key)
	s.log.Warn("a damaged record in the store is skipped", "file", s.path, "what", describe(bucket, key), "why", why)
}

// Broken returns the [ErrDamaged] of a write that came upon damage of the file's structure; nil: none did. Nothing can be written
// from then on. Closed and opened again the file is looked through, and refused if it is damaged; then [SetAside] makes room
// for a new one.
func (s *Store) Broken() error {
	s.writer <- struct{}{}
	defer func() { <-s.writer }()
	return s.broken
}

// Damaged returns how many damaged records were met since Open.
func (s *Store) Damaged() uint64 {
	s.damage.mu.Lock()
	defer s.damage.mu.Unlock()
	return s.damage.count
}
