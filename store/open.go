package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"go.etcd.io/bbolt"
)

// A file up to this size has every page looked at by each Open; a larger one after it was not closed cleanly, and its
// head always.
const checkLimit = 64 << 20

// Open opens the store at path, and makes it if there is no file or an empty one, and the options let it.
//
// Every other file that is not a store in good order is refused and left as it is: errors.Is says [ErrLocked] while
// another program has it open, [ErrForeign] if it is something else, [ErrDamaged] if it cannot be trusted, and
// [ErrNewer] if its format is not known yet. The caller closes the store.
func Open(path string, o Options) (*Store, error) {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Wait <= 0 {
		o.Wait = time.Second
	}
	s := &Store{
		path: path, readOnly: o.ReadOnly, existing: o.ReadOnly || o.Existing, log: o.Logger, zoneOf: o.Zone, boot: o.Boot, opened: time.Now(),
		writer: make(chan struct{}, 1), folding: make(chan struct{}, 1), listed: listedFree,
		damage: damage{found: make(chan struct{}, 1)},
	}
	fresh, err := missing(path)
	if err == nil && fresh && s.existing {
		err = nothingAt(path)
	}
	if err != nil {
		return nil, explain("opening", path, err)
	}
	if !fresh {
		if fresh, err = s.inspect(o.Wait); err != nil {
			return nil, err
		}
	}
	if err := s.open(o.Wait, o.ReadOnly); err != nil {
		return nil, err
	}
	if fresh {
		err = s.create()
	}
	if err == nil {
		err = s.readHead()
	}
	if err == nil && s.format < Format && !o.ReadOnly {
		err = s.upgrade()
	}
	if err == nil {
		err = s.beginRun()
	}
	if err != nil {
		s.abandon()
		return nil, err
	}
	s.release() // to look at a file takes more of it than to work with it
	return s, nil
}

// beginRun ends what an earlier run had begun to move, and takes down how everything stands.
func (s *Store) beginRun() error {
	if !s.readOnly {
		if err := s.finishMoves(context.Background()); err != nil {
			s.log.Error("readings of an earlier run are still to be moved to another time; it is tried again with the next start", "error", err)
		}
	}
	if err := s.beginClock(); err != nil {
		return explain("opening", s.path, err)
	}
	if err := s.rebuild(); err != nil {
		return err
	}
	if s.resumed {
		s.stepAtOpen()
	}
	st, err := s.Stat()
	if s.newestAtOpen = st.Newest; !s.resumed {
		s.run.before = st.Newest
	}
	return err
}

// stepAtOpen moves what an earlier program of this boot stored, where the clock was stepped since.
func (s *Store) stepAtOpen() {
	before, after, stepped := s.ClockStepped()
	if !stepped {
		return
	}
	moved, err := s.StepClock(context.Background(), before, after)
	if err != nil {
		s.log.Error("the clock was stepped while the program was not running; what is stored of this boot keeps the times of the clock from before",
			"from", before, "to", after, "error", err)
		return
	}
	s.log.Warn("the clock was stepped while the program was not running", "from", before, "to", after, "frames_moved", moved)
}

// nothingAt says that there is no store, as [fs.ErrNotExist].
func nothingAt(path string) error {
	if _, err := os.Stat(path); err == nil {
		return errEmpty{}
	}
	return fmt.Errorf("%w: nothing is stored there yet", fs.ErrNotExist)
}

// errEmpty says that there is a file with nothing in it.
type errEmpty struct{}

func (errEmpty) Error() string        { return "the file is empty: nothing is stored there yet" }
func (errEmpty) Is(target error) bool { return target == fs.ErrNotExist }

// missing reports whether a new file can be made at path without losing anything.
func missing(path string) (bool, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return true, nil
	case err != nil:
		return false, err
	case !info.Mode().IsRegular():
		return false, fmt.Errorf("%w but a %v; choose another path for the store", ErrForeign, kindOf(info.Mode()))
	}
	return info.Size() == 0, nil
}

func kindOf(m fs.FileMode) string {
	if m.IsDir() {
		return "folder"
	}
	return "special file"
}

// open lets bbolt open the file. It keeps the file, to let go of it should bbolt not come back.
func (s *Store) open(wait time.Duration, readOnly bool) error {
	err := guarded(func() (err error) {
		s.db, err = bbolt.Open(s.path, 0o640, &bbolt.Options{
			Timeout: wait, ReadOnly: readOnly, PageSize: pageSize, FreelistType: bbolt.FreelistMapType,
			NoFreelistSync: true, // at first, so that opening writes nothing; then see listFree
			OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
				s.file, err = os.OpenFile(name, flag, mode)
				return s.file, err
			},
		})
		return err
	})
	if err == nil {
		if err = s.inPlace(); err != nil {
			s.abandon()
		}
		return explain("opening", s.path, err)
	}
	if errors.Is(err, errPanic) {
		s.file.Close()
	}
	return explain("opening", s.path, err)
}

// abandon closes the file after an Open that did not succeed; what went wrong before is what the caller hears.
func (s *Store) abandon() {
	if guarded(s.db.Close) != nil {
		s.file.Close()
	}
}

// create makes the buckets of a new file, unless another program came first. It makes the file's name durable too.
func (s *Store) create() error {
	err := s.update(func(tx *bbolt.Tx) error {
		if tx.Bucket(bucketHead) != nil {
			return nil
		}
		for _, name := range slices.Concat(firstBuckets, laterBuckets) {
			if _, err := tx.CreateBucket(name); err != nil {
				return err
			}
		}
		return putHead(tx, time.Now())
	})
	if err == nil {
		err = syncFolder(filepath.Dir(s.path))
	}
	return explain("making", s.path, err)
}

// putHead says what the file is, and since when.
func putHead(tx *bbolt.Tx, created time.Time) error {
	body := binary.BigEndian.AppendUint16([]byte(magic), Format)
	body = binary.BigEndian.AppendUint64(body, uint64(created.UnixNano()))
	return tx.Bucket(bucketHead).Put(keyStore, seal(keyStore, body))
}

// upgrade makes a file of an older format one of this format. It adds buckets and changes no record but the head, in
// one commit, so it is done or not.
func (s *Store) upgrade() error {
	err := s.update(func(tx *bbolt.Tx) error {
		for _, name := range laterBuckets {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return putHead(tx, s.created)
	})
	if err == nil {
		s.log.Info("the store was taken over into a newer format", "file", s.path, "from", s.format, "to", Format)
		s.format = Format
	}
	return explain("upgrading", s.path, err)
}

func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil // it cannot sync a folder, and does not need it
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// readHead reads what the file says of itself. Mark, format and checksum keep their places in every format.
func (s *Store) readHead() error {
	var body []byte
	var ok bool
	err := s.view(func(tx *bbolt.Tx) error {
		head := tx.Bucket(bucketHead)
		if head == nil {
			return nil
		}
		_, s.marked = unseal(keyClosed, head.Get(keyClosed))
		body, ok = unseal(keyStore, head.Get(keyStore))
		body = bytes.Clone(body)
		return nil
	})
	if err != nil {
		return explain("opening", s.path, err)
	}
	w := wire{b: body}
	mark, format := w.take(uint64(len(magic))), w.uint16()
	switch {
	case !ok || string(mark) != magic || format == 0:
		return damaged("opening", s.path, errors.New("the record of what it is does not match its checksum"))
	case format > Format:
		return fmt.Errorf("opening %s: %w: its format is %d, this one knows up to %d; use the newer ringwarden",
			s.path, ErrNewer, format, Format)
	}
	s.format = int(format)
	s.created = time.Unix(0, int64(w.uint64())).UTC()
	s.pageSize = int64(s.db.Info().PageSize) // asked now, since bbolt reads it without a lock
	return nil
}
