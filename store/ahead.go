package store

import "go.etcd.io/bbolt"

// aheadSize is how much room is written with noughts at a time, beyond what the file holds.
const aheadSize = 512 << 10

// writeAhead gives the pages that the file grows by next their places on the disk, before anything lies in them. Otherwise each
// commit with which the file grows waits until the file system has found new blocks and put that down in a journal of its
// own: a third flush, a seventh of the time of a commit of 200 controllers (measured). It begins when the file is seen to
// grow, as in its first half day: later most of the room is used again, and there is nothing to do.
//
// Nothing of bbolt's lies there: what it takes from now on, it writes when it commits, after this. Nor does a failure
// matter: the commit then does without, or meets it as well. The caller is in a writing transaction that has not begun to commit.
func (s *Store) writeAhead(tx *bbolt.Tx) {
	end := tx.Size()
	grew := s.end > 0 && end > s.end
	s.end = end
	if !grew || end+aheadSize/4 < s.ahead {
		return
	}
	info, err := s.file.Stat()
	if err != nil {
		return
	}
	from := max(end, s.ahead)
	page := make([]byte, pageSize) // one by one, so that the system's cache does not keep them in pieces that are written as a whole
	for s.ahead = from; s.ahead < min(from+aheadSize, info.Size()-pageSize+1); s.ahead += pageSize {
		if _, err := s.file.WriteAt(page, s.ahead); err != nil {
			return
		}
	}
}
