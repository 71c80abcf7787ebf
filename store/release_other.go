//go:build !linux

package store

// release does nothing here: only Linux has a word for it.
func (s *Store) release() {}

// releaseUpTo does nothing either.
func (s *Store) releaseUpTo(int64) {}
