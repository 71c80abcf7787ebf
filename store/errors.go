package store

import (
	"errors"
	"fmt"
	"io/fs"
	"runtime/debug"
	"syscall"

	bolterrors "go.etcd.io/bbolt/errors"
)

// What can be wrong with a file, for callers that branch on it. The errors that wrap these name the file and say what
// to do.
var (
	ErrLocked   = errors.New("the store is open in another program")
	ErrForeign  = errors.New("the file is not a ringwarden store")
	ErrDamaged  = errors.New("the store is damaged")
	ErrNewer    = errors.New("the store was written by a newer ringwarden")
	ErrReadOnly = errors.New("the store is open for reading only")
	ErrClosed   = errors.New("the store is closed")
	ErrInvalid  = errors.New("cannot be stored") // what was given, not the file, is at fault: trying again will not help
)

// errPanic marks a panic or a fault that guarded caught.
var errPanic = errors.New("reading it went out of bounds")

// guarded runs f and returns its error. bbolt trusts what it maps: on a damaged or shortened file it panics or touches
// memory that is not there, which would end the process. Both become an error here. The setting is one of the
// goroutine, so f must not start another.
func guarded(f func() error) (err error) {
	old := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(old)
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %v", errPanic, r)
		}
	}()
	return f()
}

// explain says what was being done to which file, and what to do about it.
func explain(doing, path string, err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok && p.Path == path {
		err = p.Err // the path is said once
	}
	var advice string
	switch {
	case err == nil:
		return nil
	case errors.Is(err, bolterrors.ErrDatabaseNotOpen):
		return fmt.Errorf("%s %s: %w", doing, path, ErrClosed)
	case errors.Is(err, bolterrors.ErrTimeout):
		return fmt.Errorf("%s %s: %w, most likely a running ringwarden: ask that one, or stop it first", doing, path, ErrLocked)
	case errors.Is(err, errPanic), errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum):
		return damaged(doing, path, err)
	case errors.Is(err, syscall.ENOSPC):
		advice = "; nothing stored is lost; free some space on that disk"
	case errors.Is(err, syscall.EROFS):
		advice = "; mount it for writing, or choose another path for the store"
	case errors.Is(err, fs.ErrPermission):
		advice = "; the user that runs this program must own the file and its folder"
	case errors.Is(err, fs.ErrNotExist) && !errors.Is(err, errEmpty{}):
		advice = "; check the path, and make the folder if it is missing"
	}
	return fmt.Errorf("%s %s: %w%s", doing, path, err, advice)
}

// damaged returns an [ErrDamaged] for a file whose structure cannot be trusted.
func damaged(doing, path string, why error) error {
	return fmt.Errorf("%s %s: %w: %w; the file is left as it is: move it aside to start with a new one, "+
		"or put a backup in its place", doing, path, ErrDamaged, why)
}
