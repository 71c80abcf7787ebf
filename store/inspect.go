package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"go.etcd.io/bbolt"
)

// inspect looks at a file that is there, before bbolt is trusted with it. It holds a reader's lock, so that nobody
// writes meanwhile. fresh says that it is a bbolt file with nothing in it at all.
func (s *Store) inspect(wait time.Duration) (fresh bool, err error) {
	if err := recognise(s.path); err != nil {
		return false, err
	}
	if err := s.open(wait, true); err != nil {
		return false, err
	}
	defer s.abandon()
	info, err := s.file.Stat()
	if err != nil {
		return false, explain("opening", s.path, err)
	}
	p, lame, err := readMeta(s.file, info.Size())
	if err == nil {
		err = p.checkFreelist()
	}
	if err != nil {
		return false, damaged("opening", s.path, err)
	}
	if fresh, err = s.hollow(); fresh || err != nil {
		return fresh, err
	}
	if err := s.readHead(); err != nil {
		return false, err
	}
	if !s.marked || info.Size() <= checkLimit || p.meta.freelist == noFreelist { // without a list bbolt looks at every page
		if err := p.checkTree(); err != nil {
			return false, damaged("opening", s.path, err)
		}
	}
	if lame {
		s.damage.count++
		s.log.Warn("one of the store's two head pages is damaged: its last commit may be lost", "file", s.path)
	}
	return false, nil
}

// recognise refuses a file that is no bbolt file, as far as its head says.
func recognise(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return explain("opening", path, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return explain("opening", path, err)
	}
	_, _, bad := readMeta(f, info.Size())
	switch {
	case bad == nil:
		return nil
	case !errors.Is(bad, errHeads):
		return damaged("opening", path, bad)
	}
	ours, err := holds(f, magic)
	switch {
	case err != nil:
		return explain("opening", path, err)
	case ours:
		return damaged("opening", path, bad)
	}
	return foreign(path)
}

func foreign(path string) error {
	return fmt.Errorf("opening %s: %w; it is left as it is: choose another path for the store", path, ErrForeign)
}

// sniffLimit bounds how far into a file we look for our own mark.
const sniffLimit = 16 << 20

// holds reports whether the beginning of a file holds a mark.
func holds(f *os.File, mark string) (bool, error) {
	r := io.NewSectionReader(f, 0, sniffLimit)
	window := make([]byte, 0, 64<<10+len(mark))
	for {
		n, err := io.ReadFull(r, window[len(window):cap(window)])
		window = window[:len(window)+n]
		if bytes.Contains(window, []byte(mark)) {
			return true, nil
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		kept := copy(window, window[len(window)-len(mark):])
		window = window[:kept]
	}
}

// hollow reports whether the file has no bucket at all, as after a power cut between its making and its first commit,
// and refuses it if it has buckets but not ours.
func (s *Store) hollow() (bool, error) {
	hollow, known := false, 0
	err := s.view(func(tx *bbolt.Tx) error {
		k, _ := tx.Cursor().First()
		hollow = k == nil
		for _, name := range firstBuckets {
			if tx.Bucket(name) != nil {
				known++
			}
		}
		return nil
	})
	switch {
	case err != nil:
		return false, explain("opening", s.path, err)
	case hollow && s.existing:
		return false, explain("opening", s.path, errEmpty{})
	case hollow || known == len(firstBuckets):
		return hollow, nil
	}
	ours, err := holds(s.file, magic)
	switch {
	case err != nil:
		return false, explain("opening", s.path, err)
	case ours:
		return false, damaged("opening", s.path, errors.New("a part of it is missing"))
	}
	return false, foreign(s.path)
}
