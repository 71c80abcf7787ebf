package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A leafPage is a page with records.
type leafPage struct {
	id      int
	entries []element
}

// leavesOf returns the leaves of a bucket, in the order of their keys. Their entries lie in file.
func leavesOf(t *testing.T, file []byte, bucket []byte) (all []leafPage) {
	t.Helper()
	p, _, err := readMeta(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var under func(id uint64)
	under = func(id uint64) {
		page := file[id*pageSize : (id+1+uint64(native.Uint32(file[id*pageSize+12:])))*pageSize]
		entries, branch, err := parsePage(page)
		if err != nil {
			t.Fatal(err)
		}
		if !branch {
			all = append(all, leafPage{int(id), entries})
			return
		}
		for _, e := range entries {
			under(e.page)
		}
	}
	under(p.meta.root)
	roots := all
	all = nil
	for _, l := range roots {
		for _, e := range l.entries {
			if bytes.Equal(e.key, bucket) {
				under(native.Uint64(e.value))
			}
		}
	}
	return all
}

// verifySpoilt checks a file with these bytes.
func verifySpoilt(t *testing.T, b []byte) *Damage {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := VerifyFile(t.Context(), path, nil)
	d, ok := errors.AsType[*Damage](err)
	if !ok || !errors.Is(err, ErrDamaged) {
		t.Fatalf("VerifyFile() = %v, want a Damage", err)
	}
	unchanged(t, path, b)
	return d
}

func records(w *Wreck, bucket string) int {
	for _, b := range w.Left {
		if b.Bucket == bucket {
			return b.Records
		}
	}
	return 0
}

// A file with two broken pages and one spoilt record has all three named, with the time that each page was of, and what is
// left is counted. Who has no backup wants to know how much of a year one bad block has cost.
func TestVerifyGoesOnPastBrokenPages(t *testing.T) {
	original, _ := undamaged(t)
	b := bytes.Clone(original)
	journal := leavesOf(t, b, bucketJournal)
	if len(journal) < 4 {
		t.Fatalf("the journal has %d leaves, too few for this", len(journal))
	}
	left := -1 // less the one that is spoilt
	for i, l := range journal {
		if i == 1 || i == 2 {
			b[l.id*pageSize+8] = 0x77
			continue
		}
		left += len(l.entries)
	}
	spoilt := journal[3].entries[0]
	spoilt.value[len(spoilt.value)-1] ^= 1
	d := verifySpoilt(t, b)
	if d.Count != 3 || d.Wreck == nil || d.Wreck.Opens {
		t.Fatalf("%d faults, wreck %+v, want 3 of a file that does not open:\n%v", d.Count, d.Wreck, d)
	}
	text := strings.Join(d.Faults, "\n")
	if n := strings.Count(text, "lost with it: what is from 1970-01-01 00:"); n != 2 {
		t.Errorf("%d faults say of which time the page was, want 2:\n%s", n, text)
	}
	if !strings.Contains(text, describe(bucketJournal, spoilt.key)+": its checksum does not match") {
		t.Errorf("the record that is spoilt is not named:\n%s", text)
	}
	if got := records(d.Wreck, "journal"); got != left {
		t.Errorf("%d records of the journal are left, want %d", got, left)
	}
	if records(d.Wreck, "chunks") != 2 || records(d.Wreck, "layouts") != 1 || records(d.Wreck, "changes") == 0 {
		t.Errorf("left are %v", d.Wreck.Left)
	}
	if newest := time.Unix(damageableFrames-1, 0); !d.Wreck.Newest.Equal(newest) || !d.Wreck.Oldest.Equal(time.Unix(0, 0)) {
		t.Errorf("readings reach from %v to %v", d.Wreck.Oldest, d.Wreck.Newest)
	}
}

// Of very many faults the first are named and all are counted.
func TestVerifyNamesAFew(t *testing.T) {
	original, _ := undamaged(t)
	b := bytes.Clone(original)
	for _, l := range leavesOf(t, b, bucketJournal) {
		for _, e := range l.entries {
			e.value[len(e.value)-1] ^= 1
		}
	}
	b[leavesOf(t, b, bucketJournal)[0].id*pageSize+8] = 0x77
	d := verifySpoilt(t, b)
	if len(d.Faults) != faultsNamed || d.Count <= faultsNamed || !strings.Contains(d.Error(), "of which the first 20 are") {
		t.Errorf("%d faults are named of %d:\n%v", len(d.Faults), d.Count, d)
	}
}

// A file that lost its end still says what it can.
func TestVerifyOfAFileCutShort(t *testing.T) {
	original, _ := undamaged(t)
	for _, size := range []int{2*pageSize + 1, len(original) / 4, 100} {
		d := verifySpoilt(t, original[:size])
		if !strings.Contains(d.Faults[0], "it is cut short") || d.Wreck == nil {
			t.Errorf("%d bytes are left: %v", size, d)
		}
	}
}
