package store

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
)

// reserveSize is the room on the disk that lies in a file of its own beside the store, so that old readings can be dropped
// on a disk that is full: to delete something, bbolt writes pages first. A transaction of a retention writes less.
const reserveSize = 1 << 20

// reservePath returns where the reserve lies.
func (s *Store) reservePath() string { return s.path + ".reserve" }

// putReserve makes the reserve if it is not there. What is in it means nothing, but does not shrink on disks that pack.
func (s *Store) putReserve() error {
	path := s.reservePath()
	info, err := os.Stat(path)
	if err == nil && info.Size() == reserveSize {
		return nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	b := make([]byte, reserveSize)
	_, _ = rand.NewChaCha8([32]byte{}).Read(b) // it never fails
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		os.Remove(path)
	}
	return err
}

// takeReserve gives its room to the disk, and reports whether there was any.
func (s *Store) takeReserve() bool { return os.Remove(s.reservePath()) == nil }
