//go:build !linux

package store

// release does nothing here: only Linux has a word for it.
func (s *Store) release() {}
