package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"
)

// Copy writes the store as it is at one instant into a new file at path, synced, and returns its size. It can be done
// while the store is written to. Meanwhile the room that writes give up is not used again, and should the file have to
// grow, the write waits: so copy to a disk of this machine, and send the copy. What is at path already is not touched,
// and nothing is left there where something goes wrong.
func (s *Store) Copy(ctx context.Context, path string, p Progress) (size int64, err error) {
	doing := "copying " + s.path + " to"
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return 0, explain(doing, path, err)
	}
	out := watched{ctx: ctx, w: f, p: p}
	err = s.view(func(tx *bbolt.Tx) error {
		out.total = tx.Size()
		size, err = tx.WriteTo(&out)
		return cmp.Or(out.err, err) // bbolt tells the writer's error as text alone
	})
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = syncFolder(filepath.Dir(path))
	}
	if err != nil {
		os.Remove(path)
		return 0, explain(doing, path, err)
	}
	return size, nil
}

// watched passes bytes on until ctx is done.
type watched struct {
	ctx   context.Context
	w     io.Writer
	done  int64
	total int64
	p     Progress
	err   error // what stopped it
}

// Write passes b on.
func (w *watched) Write(b []byte) (n int, err error) {
	if w.err = context.Cause(w.ctx); w.err != nil {
		return 0, w.err
	}
	n, w.err = w.w.Write(b)
	w.done += int64(n)
	w.p.tell(w.done, w.total)
	return n, w.err
}

// VerifyFile checks a store that no program has open for writing: that every page is in its place and used once, by
// our own reading of them and by bbolt's, then every record as [Store.Verify] does. It goes on past what is damaged: all that
// is comes as one [Damage], unless nothing of the file can be found at all, which is another [ErrDamaged]; nothing is changed.
// Where it is records alone that are damaged, so that all others can be read, the Stat is there as well, else it is the zero
// value. p is told of the bytes of the file that are done; ctx stops it, though not at once where bbolt reads.
func VerifyFile(ctx context.Context, path string, p Progress) (Stat, error) {
	size := int64(0)
	if info, err := os.Stat(path); err == nil {
		size = info.Size()
	}
	done, share := 0.0, 0.05 // of the time, as measured: pages by us and by bbolt take little, records the rest
	look := func(n int) error {
		done = min(done+share*float64(n), float64(size))
		p.tell(int64(done), size)
		return context.Cause(ctx)
	}
	wreck := func(opens bool, why error) error {
		done, share = 0, 1
		return surveyWreck(ctx, path, opens, why, look)
	}
	s, err := Open(path, Options{ReadOnly: true})
	if errors.Is(err, ErrDamaged) {
		return Stat{}, wreck(false, err)
	}
	if err != nil {
		return Stat{}, err
	}
	defer s.Close()
	if err := checkPages(path, look); err != nil {
		if ctx.Err() != nil {
			return Stat{}, explain("verifying", path, err)
		}
		return Stat{}, wreck(true, damaged("verifying", path, err))
	}
	err = s.view(func(tx *bbolt.Tx) error {
		var faults []error
		for err := range tx.Check() { // safe only now: on damaged pages it panics in a goroutine of its own
			faults = append(faults, err)
		}
		return errors.Join(faults...)
	})
	if err != nil {
		return Stat{}, damaged("verifying", path, err)
	}
	st, err := s.Stat()
	if err != nil {
		return Stat{}, err
	}
	done, share = 0.1*float64(size), 0.9
	return st, s.verify(ctx, look)
}

// errLame is no fault of what is read, but something may be missing.
var errLame = errors.New("one of its two head pages is damaged: its last commit may be lost")

// checkPages walks every page of a file that nobody writes to. look is called with the bytes of each page, and ends it by an
// error; nil: nobody looks.
func checkPages(path string, look func(n int) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	p, lame, err := readMeta(f, info.Size())
	switch {
	case err != nil:
		return err
	case lame:
		return errLame
	}
	p.look = look
	if err := p.checkFreelist(); err != nil {
		return err
	}
	return p.checkTree()
}

// inPlace refuses a file that lost its name to another one while this program waited for its lock: what would be
// written to it would be gone.
func (s *Store) inPlace() error {
	opened, err := s.file.Stat()
	if err != nil {
		return err
	}
	named, err := os.Stat(s.path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(opened, named) {
		return fmt.Errorf("%w: it was compacted or moved meanwhile; start again", ErrLocked)
	}
	return err
}
