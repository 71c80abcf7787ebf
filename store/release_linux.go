package store

import (
	"math"

	"go.etcd.io/bbolt"
	"golang.org/x/sys/unix"
)

// release takes the pages of the file that were read out of this process's memory. They stay in the system's cache, from
// which they come back when they are read again; but they count as ours until then, and some kernels bring two megabytes
// for each page that is touched. What the kernel says to it does not matter.
//
// It cannot harm: bbolt maps the file for reading alone and shared with the cache, and writes with plain writes, so no page
// of the map holds anything that is not in the file too. Who reads meanwhile waits for the page to come back.
func (s *Store) release() { s.releaseUpTo(math.MaxInt64) }

// releaseUpTo does so with a file that is not larger than that.
func (s *Store) releaseUpTo(size int64) {
	_ = s.view(func(tx *bbolt.Tx) error { // inside of it the file stays mapped where it is
		if tx.Size() > size {
			return nil
		}
		_, _, _ = unix.Syscall(unix.SYS_MADVISE, s.db.Info().Data, uintptr(tx.Size()), unix.MADV_DONTNEED)
		return nil
	})
}
