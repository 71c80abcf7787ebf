package store

import (
	"context"
	"fmt"
	"iter"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// PutChanges stores changes of alarms, in the order given, in one commit: all of them or none. In the same commit the
// standing alarms follow: the last change that is put for an alarm says how it stands, whatever its instant.
func (s *Store) PutChanges(ctx context.Context, changes []fleet.Change) error {
	return s.putChanges(ctx, changes, nil)
}

func (s *Store) putChanges(ctx context.Context, changes []fleet.Change, edits Edits) error {
	doing := fmt.Sprintf("storing %d changes of alarms in", len(changes))
	for i := range changes {
		if err := checkChange(&changes[i]); err != nil {
			return explain(doing, s.path, err)
		}
	}
	if err := checkEdits(edits); err != nil {
		return explain(doing, s.path, err)
	}
	if len(changes)+len(edits) == 0 {
		return nil
	}
	return s.write(ctx, doing, func(tx *bbolt.Tx) error {
		history, standing := tx.Bucket(bucketChanges), tx.Bucket(bucketStanding)
		history.FillPercent = 1
		for i := range changes {
			if err := put(history, changes[i].At, appendChange(make([]byte, checksumSize), &changes[i])); err != nil {
				return err
			}
			if err := putStanding(standing, &changes[i].Alarm); err != nil {
				return err
			}
		}
		return editOutbox(tx, edits)
	}, func() { s.counts.changes.Add(uint64(len(changes))) })
}

func putStanding(b *bbolt.Bucket, a *fleet.Alarm) error {
	key := standingKey(a.AlarmKey)
	if a.State == fleet.AlarmNormal {
		return b.Delete(key)
	}
	return b.Put(key, seal(key, appendStanding(nil, a)))
}

// Changes gives the changes of alarms at or after from and before to, in the order of time; those of one instant in
// the order in which they were put. A zero from or to is no limit. An error ends it.
func (s *Store) Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return func(yield func(fleet.Change, error) bool) {
		first, end := span(from, to)
		for batch, err := range s.records(ctx, bucketChanges, first, end) {
			if err != nil {
				yield(fleet.Change{}, explain("reading alarms from", s.path, err))
				return
			}
			for _, r := range batch {
				body, at, err := r.dated()
				if err == nil {
					if c, ok := decodeChange(at, body); !ok {
						err = errMalformed
					} else if !yield(c, nil) {
						return
					}
				}
				if err != nil {
					s.damagedRecord(bucketChanges, r.key, err)
				}
			}
		}
	}
}

// Standing returns the alarms that are not normal, by kind and subject.
func (s *Store) Standing(ctx context.Context) ([]fleet.Alarm, error) {
	var alarms []fleet.Alarm
	for batch, err := range s.records(ctx, bucketStanding, nil, nil) {
		if err != nil {
			return nil, explain("reading standing alarms from", s.path, err)
		}
		for _, r := range batch {
			if body, ok := unseal(r.key, r.value); !ok {
				s.damagedRecord(bucketStanding, r.key, errChecksum)
			} else if a, ok := decodeStanding(body); !ok {
				s.damagedRecord(bucketStanding, r.key, errMalformed)
			} else {
				alarms = append(alarms, a)
			}
		}
	}
	return alarms, nil
}
