package store

import (
	"context"
	"fmt"
	"iter"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// bucketNotes holds what people wrote down. The first note makes it, so that it is in files of every format.
var bucketNotes = []byte("notes")

const noteKind = 1

// MaxNote is how long the text of a note may be, in bytes: some pages, so that no note is half a logbook.
const MaxNote = 16 << 10

// PutNote stores a note; it commits at once. The error is [ErrInvalid] if the note has no text, no instant or too much
// of either.
func (s *Store) PutNote(ctx context.Context, n fleet.Note) error {
	const doing = "storing a note in"
	if err := checkNote(&n); err != nil {
		return explain(doing, s.path, err)
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists(bucketNotes)
		if err != nil {
			return err
		}
		return put(b, n.At, appendNote(make([]byte, checksumSize), &n))
	}, func() {})
}

func checkNote(n *fleet.Note) error {
	switch {
	case strings.TrimSpace(n.Text) == "":
		return fmt.Errorf("a note without text %w", ErrInvalid)
	case len(n.Text) > MaxNote:
		return fmt.Errorf("a note of %d bytes %w: at most %d fit", len(n.Text), ErrInvalid, MaxNote)
	case len(n.Subject)+len(n.Who) > textLimit:
		return fmt.Errorf("a note whose place and writer have more than %d bytes %w", textLimit, ErrInvalid)
	case n.At.IsZero() || !storable(n.At):
		return fmt.Errorf("a note of %v %w: that is no time it could have been", n.At, ErrInvalid)
	}
	return nil
}

// Notes gives the notes at or after from and before to, in the order of time; those of one instant in the order in
// which they were put. A zero from or to is no limit. Damaged ones are skipped and counted; any other error ends it.
func (s *Store) Notes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Note, error] {
	return func(yield func(fleet.Note, error) bool) {
		first, end := span(from, to)
		for batch, err := range s.records(ctx, bucketNotes, first, end) {
			if err != nil {
				yield(fleet.Note{}, explain("reading notes from", s.path, err))
				return
			}
			for i := range batch {
				n, err := batch[i].note()
				if err != nil {
					s.damagedRecord(bucketNotes, batch[i].key, err)
				} else if !yield(n, nil) {
					return
				}
			}
		}
	}
}

func (r *record) note() (fleet.Note, error) {
	body, at, err := r.dated()
	if err != nil {
		return fleet.Note{}, err
	}
	n, ok := decodeNote(at, body)
	if !ok {
		return fleet.Note{}, errMalformed
	}
	return n, nil
}

func appendNote(b []byte, n *fleet.Note) []byte {
	b = append(b, noteKind)
	for _, s := range []string{string(n.Subject), n.Who, n.Text} {
		b = appendText(b, s)
	}
	return b
}

func decodeNote(at time.Time, body []byte) (fleet.Note, bool) {
	w := wire{b: body}
	if w.octet() != noteKind {
		return fleet.Note{}, false
	}
	n := fleet.Note{At: at, Subject: fleet.Subject(w.text()), Who: w.text(), Text: w.text()}
	return n, w.done()
}

func (v *verifier) note(r *record) error {
	_, err := r.note()
	return err
}
