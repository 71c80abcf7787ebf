package store

import (
	"bytes"
	"encoding/binary"
	"time"

	"go.etcd.io/bbolt"
)

// A Boot is one start of the machine, by which a store knows which of its frames were read under one clock, though the
// program was started anew in between. The zero value is of no known machine: then each Open begins a clock of its own.
type Boot struct {
	// ID is another one for each start of the machine; empty: unknown.
	ID string
	// Now returns what the clock says, and how long the machine has been running, sleep included, both read at once. What
	// the second says never jumps. Nil: nobody looks whether the clock is stepped.
	Now func() (wall time.Time, up time.Duration)
}

// sinceProgram is a Now by the steady clock of this program, which may stand still while the machine sleeps.
func sinceProgram() func() (time.Time, time.Duration) {
	began := time.Now()
	return func() (time.Time, time.Duration) {
		now := time.Now()
		return now, now.Sub(began)
	}
}

// stepTolerance is how far the clock may go astray and count as drawn to the right time, little by little.
const stepTolerance = 2 * time.Second

// A clockRun is what was appended under one steady clock: since Open, or, where the boot is known, since the first Open of
// this boot. It is kept in the head of the file with the first frame, for the next Open of the same boot.
type clockRun struct {
	id      string        // of the boot; empty: the run is this program's alone and is not kept
	started time.Time     // when the machine was started, by the clock that the frames of this run lie under
	opened  time.Duration // after that, the run began
	before  time.Time     // newest frame of earlier runs; zero: none
	steps   uint64        // how many steps of the clock are in their book: another program may have made some
	// stretches belong to whoever holds the token of folding; the slice is never changed, but replaced.
	stretches []stretch
}

const bootKind = 1

func (r *clockRun) encode(overlaps bool) []byte {
	flag := byte(0)
	if overlaps {
		flag = 1
	}
	body := appendText([]byte{bootKind, flag}, r.id)
	body = appendTime(body, r.started)
	body = binary.AppendUvarint(body, uint64(r.opened))
	body = appendTime(body, r.before)
	body = binary.AppendUvarint(body, r.steps)
	body = binary.AppendUvarint(body, uint64(len(r.stretches)))
	for _, s := range r.stretches {
		body = binary.AppendUvarint(body, s.from)
		body = binary.AppendUvarint(body, uint64(s.leap))
	}
	return body
}

func decodeRun(body []byte) (r clockRun, overlaps, ok bool) {
	w := wire{b: body}
	kind := w.octet()
	overlaps = w.octet() == 1
	r = clockRun{id: w.text(), started: w.time(), opened: time.Duration(w.uvarint()), before: w.time(), steps: w.uvarint()}
	for range w.count() {
		r.stretches = append(r.stretches, stretch{from: w.uvarint(), leap: time.Duration(w.uvarint())})
	}
	return r, overlaps, kind == bootKind && w.done() && len(r.stretches) > 0
}

// beginClock goes on with the run of an earlier program of this boot, or begins one.
func (s *Store) beginClock() error {
	s.run = clockRun{id: s.boot.ID}
	if s.boot.Now != nil {
		wall, up := s.boot.Now()
		s.run.started, s.run.opened = wall.Round(0).Add(-up), up
	}
	return s.view(func(tx *bbolt.Tx) error {
		sequence := tx.Bucket(bucketJournal).Sequence()
		s.run.stretches = []stretch{{from: sequence}}
		if s.run.id == "" || s.readOnly {
			return nil
		}
		s.run.steps = countSteps(tx)
		body, _ := unseal(keyBoot, tx.Bucket(bucketHead).Get(keyBoot))
		last, overlaps, ok := decodeRun(body)
		if !ok || last.id != s.run.id || last.steps != s.run.steps || last.stretches[0].from > sequence || last.opened > s.run.opened {
			return nil
		}
		s.opened = s.opened.Add(last.opened - s.run.opened)
		s.run, s.resumed = last, true
		s.overlaps.Store(overlaps)
		s.runChunks = readRunChunks(tx)
		return nil
	})
}

// countSteps counts the entries of the book of the clock.
func countSteps(tx *bbolt.Tx) (n uint64) {
	prefix := bookPrefix(BookClock)
	b := tx.Bucket(bucketBooks)
	if b == nil {
		return 0
	}
	c := b.Cursor()
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		n++
	}
	return n
}

// readRunChunks reads which chunks were folded in the run that the file knows of, at most as many as are remembered.
func readRunChunks(tx *bbolt.Tx) (chunks []runChunk) {
	b := tx.Bucket(bucketBoot)
	if b == nil {
		return nil
	}
	c := b.Cursor()
	for k, v := c.Last(); k != nil && len(chunks) < runChunksKept; k, v = c.Prev() {
		key, ok := parseChunkKey(k)
		body, sound := unseal(k, v)
		w := wire{b: body}
		if sequence := w.uvarint(); ok && sound && w.done() {
			chunks = append(chunks, runChunk{key, sequence})
		}
	}
	return chunks
}

// noteRun puts down under which clock frames are appended, in the commit of the first of them and whenever that changed. A
// program that does not know the boot forgets what another one put down: what it appends is of no known clock.
func (s *Store) noteRun(tx *bbolt.Tx, r *clockRun, overlaps bool) error {
	head := tx.Bucket(bucketHead)
	old := head.Get(keyBoot)
	if r.id == "" && old == nil {
		return nil
	}
	var value []byte
	if r.id != "" {
		if value = seal(keyBoot, r.encode(overlaps)); bytes.Equal(old, value) {
			return nil
		}
	}
	body, _ := unseal(keyBoot, old)
	if last, _, ok := decodeRun(body); (!ok || last.id != r.id || last.stretches[0].from != r.stretches[0].from) && tx.Bucket(bucketBoot) != nil {
		if err := tx.DeleteBucket(bucketBoot); err != nil {
			return err
		}
	}
	if value == nil {
		return head.Delete(keyBoot)
	}
	return head.Put(keyBoot, value)
}

// noteRunChunks puts down which chunks are of the run that the file knows of, and before that, which are not any more.
func (s *Store) noteRunChunks(tx *bbolt.Tx, gone []chunkKey, made []folded) error {
	b := tx.Bucket(bucketBoot)
	for i := 0; b != nil && i < len(gone); i++ {
		if err := b.Delete(gone[i].bytes()); err != nil {
			return err
		}
	}
	for i := range made {
		if made[i].stretch < 0 || s.run.id == "" {
			continue
		}
		if b == nil {
			var err error
			if b, err = tx.CreateBucket(bucketBoot); err != nil {
				return err
			}
		}
		key := made[i].key.bytes()
		if err := b.Put(key, seal(key, binary.AppendUvarint(nil, s.sequenceOf(made[i].stretch)))); err != nil {
			return err
		}
	}
	return nil
}

// ClockStepped looks whether the clock was stepped since the last look that said so, or since what is stored of this boot
// was read: before is what it would say had it run on. Call it often, from where Append is called, and hand what it says
// to [Store.StepClock]; it is what Open does, too. Without a [Boot] it always says no.
func (s *Store) ClockStepped() (before, after time.Time, stepped bool) {
	if s.boot.Now == nil {
		return time.Time{}, time.Time{}, false
	}
	wall, up := s.boot.Now()
	wall = wall.Round(0)
	before = s.run.started.Add(up)
	if stepped = wall.Sub(before).Abs() > stepTolerance; !stepped && s.run.id == "" {
		s.run.started = wall.Add(-up) // by such a system the clock is drawn to the right time
	}
	return before, wall, stepped
}
