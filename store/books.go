package store

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"math"
	"strings"
	"time"

	"go.etcd.io/bbolt"
)

// A Book is a list of entries in the order of time that are kept for ever.
type Book string

// The books. What an entry's body holds is between those that write and read it; the store keeps the bytes.
const (
	BookCalls Book = "calls" // stage calls: who started, who followed
	BookClock Book = "clock" // when the clock was stepped; see [Store.StepClock]
)

// An Entry is one entry of a book.
type Entry struct {
	At      time.Time
	Subject string // what it is about: a ring, a controller, a link; empty: the whole fleet
	Who     string // who says so; empty: the program itself
	Body    []byte // at most 1 MiB
}

const (
	entryKind = 1
	bodyLimit = 1 << 20
	bookZero  = 0 // ends a book's name in the keys
)

// PutEntries adds entries to a book in one commit: all of them or none. Entries that are there stay; to put right what
// was said, say something else.
func (s *Store) PutEntries(ctx context.Context, book Book, entries []Entry) error {
	doing := fmt.Sprintf("adding to the %s in", book)
	for i := range entries {
		if e := &entries[i]; book == "" || strings.ContainsRune(string(book), bookZero) || len(book) > textLimit ||
			e.At.IsZero() || !storable(e.At) || len(e.Body) > bodyLimit || len(e.Subject)+len(e.Who) > 4*textLimit {
			return explain(doing, s.path, fmt.Errorf("entry of %v about %.80q: %w: it needs an instant, and a body of at most 1 MiB",
				e.At, e.Subject, ErrInvalid))
		}
	}
	if len(entries) == 0 {
		return nil
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketBooks)
		for i := range entries {
			if err := putEntry(b, book, &entries[i]); err != nil {
				return err
			}
		}
		return nil
	}, func() {})
}

func putEntry(b *bbolt.Bucket, book Book, e *Entry) error {
	sequence, err := b.NextSequence()
	if err != nil {
		return err
	}
	key := append(bookPrefix(book), journalKey(e.At, sequence)...)
	body := appendText(appendText([]byte{entryKind}, e.Subject), e.Who)
	return b.Put(key, seal(key, append(body, e.Body...)))
}

func bookPrefix(book Book) []byte { return append([]byte(book), bookZero) }

func decodeEntry(key, body []byte) (Entry, bool) {
	w := wire{b: body}
	if len(key) < journalKeySize || w.octet() != entryKind {
		return Entry{}, false
	}
	e := Entry{At: keyTime(key[len(key)-journalKeySize:]), Subject: w.text(), Who: w.text()}
	e.Body = bytes.Clone(w.b)
	return e, !w.bad
}

// Entries gives the entries of a book at or after from and before to, in the order of time; those of one instant in the
// order in which they were put. A zero from or to is no limit. An error ends it.
func (s *Store) Entries(ctx context.Context, book Book, from, to time.Time) iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		prefix := bookPrefix(book)
		first, last := limits(from, to)
		if first > last {
			return
		}
		end := append(bytes.Clone(prefix), keyAfter(last)...)
		if last == math.MaxInt64 {
			end[len(end)-1]++ // after every key of the book
		}
		for batch, err := range s.records(ctx, bucketBooks, appendKeyTime(prefix, first), end) {
			if err != nil {
				yield(Entry{}, explain("reading the "+string(book)+" from", s.path, err))
				return
			}
			for i := range batch {
				r := &batch[i]
				body, ok := unseal(r.key, r.value)
				e, sound := decodeEntry(r.key, body)
				if !ok || !sound {
					s.damagedRecord(bucketBooks, r.key, errMalformed)
				} else if !yield(e, nil) {
					return
				}
			}
		}
	}
}

// PutState keeps what somebody wants back after a restart, under a name, in place of what was there: a detector's
// state. An empty body forgets it.
func (s *Store) PutState(ctx context.Context, name string, body []byte) error {
	doing := "keeping the state of " + name + " in"
	if name == "" || len(name) > textLimit || len(body) > valueLimit/2 {
		return explain(doing, s.path, fmt.Errorf("%w: it needs a name, and a body of at most %d bytes", ErrInvalid, valueLimit/2))
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error {
		b, key := tx.Bucket(bucketStates), []byte(name)
		if len(body) == 0 {
			return b.Delete(key)
		}
		return b.Put(key, seal(key, body))
	}, func() {})
}

// State returns what PutState kept under a name; nil if there is nothing, or if it is damaged, which is counted.
func (s *Store) State(ctx context.Context, name string) (body []byte, err error) {
	if ctx.Err() != nil {
		return nil, explain("reading a state from", s.path, context.Cause(ctx))
	}
	key := []byte(name)
	err = s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketStates)
		if b == nil {
			return nil
		}
		value := b.Get(key)
		if value == nil {
			return nil
		}
		sound, ok := unseal(key, value)
		if !ok {
			s.damagedRecord(bucketStates, key, errChecksum)
			return nil
		}
		body = bytes.Clone(sound)
		return nil
	})
	return body, explain("reading a state from", s.path, err)
}
