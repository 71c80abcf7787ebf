package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"ringwarden/fleet"
)

// Verify reads every record and reports all that is wrong, as a [Damage]: checksums, records that make no sense,
// frames whose layout is missing, standing alarms that are not what the changes led to. It holds no transaction for
// long, so that writes go on; while alarms change under its eyes it may find them standing otherwise than it thinks.
func (s *Store) Verify(ctx context.Context) error {
	return s.verify(ctx, func(int) error { return nil })
}

// verify is Verify that tells how many bytes of records it has read.
func (s *Store) verify(ctx context.Context, told func(n int) error) error {
	v := newVerifier(s.layout)
	for _, step := range v.steps() {
		for batch, err := range s.records(ctx, step.bucket, nil, nil) {
			if err != nil {
				return explain("verifying", s.path, err)
			}
			if err := told(sizeOf(batch)); err != nil {
				return explain("verifying", s.path, err)
			}
			for i := range batch {
				if err := step.look(&batch[i]); err != nil {
					s.damagedRecord(step.bucket, batch[i].key, err)
					v.fault(fmt.Sprintf("%s: %v", describe(step.bucket, batch[i].key), err))
				}
			}
		}
	}
	v.missing()
	return v.verdict(s.path)
}

// A verifyStep looks at the records of one bucket.
type verifyStep struct {
	bucket []byte
	look   func(r *record) error
}

// steps are in the order in which one tells of the next: layouts of frames, changes of what stands.
func (v *verifier) steps() []verifyStep {
	return []verifyStep{
		{bucketHead, v.head},
		{bucketLayouts, v.layout},
		{bucketJournal, v.frames},
		{bucketChunks, v.chunk},
		{bucketDue, v.due},
		{bucketFine, v.fine},
		{bucketCoarse, v.coarse},
		{bucketBooks, v.book},
		{bucketStates, v.head},
		{bucketQuarantine, v.head},
		{bucketMoving, v.head},
		{bucketBoot, v.head},
		{bucketMeanings, v.meaning},
		{bucketChanges, v.change},
		{bucketStanding, v.standing},
		{bucketOutbox, func(r *record) error { _, err := outboxEntry(r.key, r.value); return err }},
		{bucketNotes, v.note},
	}
}

func sizeOf(batch []record) (n int) {
	for i := range batch {
		n += len(batch[i].key) + len(batch[i].value)
	}
	return n
}

type verifier struct {
	layoutOf func(layoutID) (*fleet.Layout, error)
	unpacker unpacker
	decoder  decoder
	space    []fleet.Frame
	last     map[fleet.AlarmKey]lastChange
	found    Damage
}

func newVerifier(layout func(layoutID) (*fleet.Layout, error)) *verifier {
	return &verifier{layoutOf: layout, unpacker: unpacker{layout: layout}, last: make(map[fleet.AlarmKey]lastChange)}
}

// A lastChange is the change that was put last for an alarm; alarm is nil if that made it normal.
type lastChange struct {
	sequence []byte
	alarm    []byte
}

func (v *verifier) fault(what string) {
	if v.found.Count++; v.found.Count <= faultsNamed {
		v.found.Faults = append(v.found.Faults, what)
	}
}

// missing tells of alarms that should stand and do not. It is to be called at the end.
func (v *verifier) missing() {
	for k, c := range v.last {
		if c.alarm != nil {
			v.fault(fmt.Sprintf("standing: %s on %s is missing", k.Kind, k.Subject))
		}
	}
}

// verdict is the Damage, or nil if there is none.
func (v *verifier) verdict(path string) error {
	if v.found.Count == 0 {
		return nil
	}
	d := v.found
	d.Path = path
	return &d
}

func (v *verifier) head(r *record) error {
	if _, ok := unseal(r.key, r.value); !ok {
		return errChecksum
	}
	return nil
}

func (v *verifier) layout(r *record) error {
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	if _, ok := decodeLayout(body); !ok || len(r.key) != len(layoutID{}) {
		return errMalformed
	}
	return nil
}

func (v *verifier) frames(r *record) error {
	body, at, err := r.dated()
	if err == nil {
		v.space, err = v.unpacker.unpack(v.space[:0], at, body)
	}
	return err
}

func (v *verifier) chunk(r *record) error {
	key, ok := parseChunkKey(r.key)
	if !ok {
		return errKey
	}
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	var c chunkReader
	if err := c.open(key, body, v.layoutOf, &v.decoder); err != nil {
		return err
	}
	last := key.first
	for f := c.next(); f != nil; f = c.next() {
		at := f.At.UnixNano()
		if at < last || at > key.last || windowOf(at) != key.window {
			return errors.New("a frame of it is not of its time")
		}
		last = at
	}
	return nil
}

func (v *verifier) due(r *record) error {
	if _, _, ok := parseDueKey(r.key); !ok {
		return errKey
	}
	return v.head(r)
}

func (v *verifier) fine(r *record) error   { return v.rollups(r, FiveMinutes, instant(r.key)) }
func (v *verifier) coarse(r *record) error { return v.rollups(r, Day, r.key[max(0, len(r.key)-8):]) }

// rollups reads the rollups of a day whose beginning a part of the key says.
func (v *verifier) rollups(r *record, res Resolution, start []byte) error {
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	if len(start) < 8 {
		return errKey
	}
	w := wire{b: body}
	kind, d := w.octet(), day{start: keyNanos(start)}
	d.end = int64(w.uint64())
	switch {
	case kind == tableKind:
		for len(w.b) > 0 {
			v.decoder.table(&w, 0)
		}
	case kind == leanKind && res == FiveMinutes:
		v.decoder.lean(&w, d, res)
	case kind == leanKind:
		v.decoder.day(&w, d)
	default:
		w.fail()
	}
	if !w.done() {
		return errMalformed
	}
	return nil
}

func (v *verifier) meaning(r *record) error {
	if _, ok := unseal(r.key, r.value); !ok {
		return errChecksum
	}
	if _, ok := decodeMeaning(r.key, r.value); !ok {
		return errMalformed
	}
	return nil
}

func (v *verifier) book(r *record) error {
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	if _, ok := decodeEntry(r.key, body); !ok {
		return errMalformed
	}
	return nil
}

func (v *verifier) change(r *record) error {
	body, at, err := r.dated()
	if err != nil {
		return err
	}
	c, ok := decodeChange(at, body)
	if !ok {
		return errMalformed
	}
	sequence := r.key[8:]
	if last, ok := v.last[c.Alarm.AlarmKey]; ok && bytes.Compare(last.sequence, sequence) > 0 {
		return nil
	}
	now := lastChange{sequence: bytes.Clone(sequence)}
	if c.Alarm.State != fleet.AlarmNormal {
		now.alarm = appendStanding(nil, &c.Alarm)
	}
	v.last[c.Alarm.AlarmKey] = now
	return nil
}

var errUnlikeChange = errors.New("it is not what the last change led to")

func (v *verifier) standing(r *record) error {
	body, ok := unseal(r.key, r.value)
	if !ok {
		return errChecksum
	}
	a, ok := decodeStanding(body)
	if !ok || !bytes.Equal(r.key, standingKey(a.AlarmKey)) {
		return errMalformed
	}
	last := v.last[a.AlarmKey]
	delete(v.last, a.AlarmKey)
	if !bytes.Equal(last.alarm, body) {
		return errUnlikeChange
	}
	return nil
}
