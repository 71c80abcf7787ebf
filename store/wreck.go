package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"ringwarden/fleet"
)

// A survey goes over a file whose pages cannot be trusted, by plain reads, past whatever is broken, and looks at every record
// that it can still reach.
type survey struct {
	*verifier
	pages   *pages
	tell    func(n int) error
	wreck   Wreck
	roots   map[string][]byte // of the buckets, by name
	layouts map[layoutID]*fleet.Layout
	bucket  []byte          // where the walk is; nil: in the list of buckets
	lost    map[string]bool // buckets that pages are missing of
}

// surveyWreck checks what is left of the file at path. why is what was found first: it is told where the survey finds
// nothing. It takes no lock: a program that has the file open for writing would have found the same damage, and writes no more.
func surveyWreck(ctx context.Context, path string, opens bool, why error, tell func(n int) error) error {
	f, err := os.Open(path)
	if err != nil {
		return explain("verifying", path, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return explain("verifying", path, err)
	}
	p, lame, err := readMeta(f, info.Size())
	if p == nil {
		return why
	}
	s := &survey{pages: p, tell: tell, wreck: Wreck{Opens: opens}, roots: map[string][]byte{}, lost: map[string]bool{}, layouts: map[layoutID]*fleet.Layout{}}
	s.verifier = newVerifier(s.layoutLeft)
	if err != nil {
		s.fault(err.Error())
	}
	if lame {
		s.fault(errLame.Error())
	}
	p.look, p.fault = tell, s.broken
	if err := s.all(); err != nil {
		return explain("verifying", path, err)
	}
	if ctx.Err() != nil {
		return explain("verifying", path, context.Cause(ctx))
	}
	if s.found.Count == 0 {
		return why
	}
	s.found.Wreck = &s.wreck
	return s.verdict(path)
}

// all walks the list of buckets, each bucket, and then the list of free pages: a page that is in use and on that list as
// well can be read.
func (s *survey) all() error {
	s.pages.leaf = func(e *element) error {
		if e.bucket {
			s.roots[string(e.key)] = bytes.Clone(e.value)
		}
		return nil
	}
	if err := s.pages.walk(s.pages.meta.root, nil, nil, 0); err != nil {
		return err
	}
	for _, step := range s.steps() {
		if err := s.walkRecords(step); err != nil {
			return err
		}
	}
	if !s.lost[string(bucketChanges)] && !s.lost[string(bucketStanding)] {
		s.missing()
	}
	broken := len(s.lost) > 0
	if err := s.pages.checkFreelist(); err != nil {
		s.fault(err.Error())
		broken = true
	}
	if err := s.pages.checkUnused(); err != nil && !broken { // else it is what lies below a broken page
		s.fault(err.Error())
	}
	return nil
}

// walkRecords looks at the records of a bucket.
func (s *survey) walkRecords(step verifyStep) error {
	root, ok := s.roots[string(step.bucket)]
	if !ok {
		return nil
	}
	s.bucket = step.bucket
	left := 0
	s.pages.leaf = func(e *element) error {
		r := record{key: e.key, value: e.value}
		if len(r.value) > valueLimit {
			r.value = nil
		}
		if err := step.look(&r); err == nil {
			left++
			s.keep(&r)
		} else if !errors.Is(err, errUnlikeChange) || !s.lost[string(bucketChanges)] {
			s.fault(fmt.Sprintf("%s: %v", describe(step.bucket, r.key), err))
		}
		return nil
	}
	err := s.pages.walkBucket(root, 0)
	if left > 0 {
		s.wreck.Left = append(s.wreck.Left, BucketRecords{string(step.bucket), left})
	}
	return err
}

// keep takes down what later records are judged by, and from when to when readings reach.
func (s *survey) keep(r *record) {
	switch {
	case bytes.Equal(s.bucket, bucketLayouts):
		body, _ := unseal(r.key, r.value) // it was looked at
		s.layouts[layoutID(r.key)], _ = decodeLayout(body)
	case bytes.Equal(s.bucket, bucketJournal):
		s.reaches(keyNanos(r.key), keyNanos(r.key))
	case bytes.Equal(s.bucket, bucketChunks):
		k, _ := parseChunkKey(r.key)
		s.reaches(k.first, k.last)
	}
}

func (s *survey) reaches(first, last int64) {
	w := &s.wreck
	if at := time.Unix(0, first).UTC(); w.Oldest.IsZero() || at.Before(w.Oldest) {
		w.Oldest = at
	}
	if at := time.Unix(0, last).UTC(); w.Newest.IsZero() || at.After(w.Newest) {
		w.Newest = at
	}
}

func (s *survey) layoutLeft(id layoutID) (*fleet.Layout, error) {
	if l := s.layouts[id]; l != nil {
		return l, nil
	}
	return nil, noLayout(id)
}

// broken takes down a page that cannot be read, and what is lost with it, and lets the walk go on.
func (s *survey) broken(f *pageFault) error {
	s.lost[string(s.bucket)] = true
	if s.bucket == nil {
		s.fault("the list of what the file holds: " + f.Error())
		return nil
	}
	s.fault(fmt.Sprintf("%s: %v; lost with it: %s", s.bucket, f, lostOf(s.bucket, f)))
	return nil
}

// byTime are the buckets whose keys begin with an instant.
var byTime = [][]byte{bucketJournal, bucketChunks, bucketFine, bucketChanges, bucketNotes}

// lostOf says which records were to be found at a fault.
func lostOf(bucket []byte, f *pageFault) string {
	if len(f.low) == 0 && f.high == nil {
		return "all of it"
	}
	for _, b := range byTime {
		if !bytes.Equal(b, bucket) || len(f.low) > 0 && len(f.low) < 8 || f.high != nil && len(f.high) < 8 {
			continue
		}
		when := func(key []byte) string { return keyTime(key).Format(time.DateTime + " UTC") }
		switch {
		case len(f.low) == 0:
			return "what is of before " + when(f.high)
		case f.high == nil:
			return "what is of " + when(f.low) + " and later"
		}
		return "what is from " + when(f.low) + " to " + when(f.high)
	}
	return "a part of it"
}
