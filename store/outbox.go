package store

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// bucketOutbox holds what waits to be sent. It comes with the first entry, so that a file without one stays as it was
// written.
var bucketOutbox = []byte("outbox")

const outboxKind = 1

// outboxBody bounds an entry, in bytes. How many entries there are is the caller's to bound.
const outboxBody = 1 << 20

// Edits are entries of the outbox to be put, by key; a nil body takes the entry away. The bodies are the caller's own.
type Edits = map[string][]byte

// PutChangesAndOutbox is [Store.PutChanges] that edits the outbox in the same commit: the changes and what is to be
// sent because of them are stored together or not at all.
func (s *Store) PutChangesAndOutbox(ctx context.Context, changes []fleet.Change, edits Edits) error {
	return s.putChanges(ctx, changes, edits)
}

// PutOutbox edits the outbox in one commit.
func (s *Store) PutOutbox(ctx context.Context, edits Edits) error {
	doing := fmt.Sprintf("editing %d entries of the outbox in", len(edits))
	if err := checkEdits(edits); err != nil {
		return explain(doing, s.path, err)
	}
	if len(edits) == 0 {
		return nil
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error { return editOutbox(tx, edits) }, func() {})
}

// checkEdits says why an edit cannot be stored.
func checkEdits(edits Edits) error {
	for key, body := range edits {
		switch {
		case key == "" || len(key) > textLimit:
			return fmt.Errorf("an entry of the outbox: %w: its key has %d bytes; 1 to %d are allowed", ErrInvalid, len(key), textLimit)
		case len(body) > outboxBody:
			return fmt.Errorf("entry %q of the outbox: %w: it has %d bytes; at most %d are allowed", key, ErrInvalid, len(body), outboxBody)
		}
	}
	return nil
}

func editOutbox(tx *bbolt.Tx, edits Edits) error {
	if len(edits) == 0 {
		return nil
	}
	b, err := tx.CreateBucketIfNotExists(bucketOutbox)
	if err != nil {
		return err
	}
	// In the order of the keys, so that the same edits always write the same pages.
	for _, key := range slices.Sorted(maps.Keys(edits)) {
		k := []byte(key)
		if body := edits[key]; body == nil {
			err = b.Delete(k)
		} else {
			err = b.Put(k, seal(k, append([]byte{outboxKind}, body...)))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// Outbox returns every entry whose key begins with prefix. A damaged one is left out, counted and logged.
func (s *Store) Outbox(ctx context.Context, prefix string) (map[string][]byte, error) {
	entries := map[string][]byte{}
	for batch, err := range s.records(ctx, bucketOutbox, []byte(prefix), nil) {
		if err != nil {
			return nil, explain("reading the outbox of", s.path, err)
		}
		for _, r := range batch {
			if !bytes.HasPrefix(r.key, []byte(prefix)) {
				return entries, nil
			}
			if body, err := outboxEntry(r.key, r.value); err != nil {
				s.damagedRecord(bucketOutbox, r.key, err)
			} else {
				entries[string(r.key)] = bytes.Clone(body)
			}
		}
	}
	return entries, nil
}

// outboxEntry returns the body of an entry.
func outboxEntry(key, value []byte) ([]byte, error) {
	body, ok := unseal(key, value)
	switch {
	case !ok:
		return nil, errChecksum
	case len(body) == 0 || body[0] != outboxKind:
		return nil, errMalformed
	}
	return body[1:], nil
}
