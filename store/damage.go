package store

import (
	"fmt"
	"strings"
	"time"
)

// faultsNamed bounds the faults that a Damage spells out; it counts the rest.
const faultsNamed = 20

// A Damage is all that a check found wrong with a store. It is an [ErrDamaged].
type Damage struct {
	Path   string
	Faults []string // in words, the first twenty
	Count  int      // of all faults
	Wreck  *Wreck   // nil: every page is in its place, so that what is not named can be read
}

// A Wreck is a store of which pages are broken, and what is left of it.
type Wreck struct {
	Opens          bool            // it can be opened: reading goes well until it comes to a broken page
	Left           []BucketRecords // records that are in good order, by bucket, without those that hold none
	Oldest, Newest time.Time       // of the readings that are left; zero: there are none
}

// BucketRecords says how many records a bucket has.
type BucketRecords struct {
	Bucket  string
	Records int
}

// Error names the faults, a line each.
func (d *Damage) Error() string {
	places := "one place"
	if d.Count > 1 {
		places = fmt.Sprintf("%d places", d.Count)
	}
	if d.Count > faultsNamed {
		places += fmt.Sprintf(", of which the first %d are", faultsNamed)
	}
	return fmt.Sprintf("verifying %s: %v in %s:\n%s", d.Path, ErrDamaged, places, strings.Join(d.Faults, "\n"))
}

// Unwrap makes it an [ErrDamaged].
func (d *Damage) Unwrap() error { return ErrDamaged }
