package main

import (
	"fmt"

	"ringwarden/store"
)

// tellDamage says that something of a store cannot be read, so that nobody takes what was read for all that there was.
func (a *app) tellDamage(s *store.Store) error {
	st, err := s.Stat()
	a.tellDamaged(err == nil && st.Damaged+uint64(st.Quarantined) > 0)
	return err
}

func (a *app) tellDamaged(damaged bool) {
	if damaged {
		fmt.Fprintln(a.err, "ringwarden: damaged records of the database are left out; ringwarden store stat and store verify name them")
	}
}
