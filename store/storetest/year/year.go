// Package year makes stores that hold a year, for benchmarks: what a daemon that has watched for a year has on its disk.
//
// [Site] is one site of five controllers, [Company] is 300 sites. Both come from the simulator with a fixed seed, so the
// same call gives the same readings on every machine. They take minutes to make, so they are kept in RINGWARDEN_BENCH_DIR,
// or in a folder of the system's temporary one, and made only if they are not there. Open them read-only, or copy them.
package year

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/store"
	"ringwarden/testdata"
)

// recipe is, with the store's format, part of the names of the files that are kept. Whoever changes what is made counts it
// on.
const recipe = 4

// seed is that of everything random.
const seed = 7

// End is when the years of [Site] and [Company] end: a summer's noon, with as much in the journal as there can be, since
// the window that begins at midnight in UTC is not folded for five minutes more.
var End = time.Date(2026, 6, 21, 12, 25, 0, 0, time.UTC)

// A Kept is a store on disk and the plant that it is of.
type Kept struct {
	Path  string
	Fleet *fleet.Fleet
	Maps  map[string]*registermap.Map
	End   time.Time
}

// Zone returns whose days a controller's rollups follow.
func (k *Kept) Zone(fleet.ControllerID) *time.Location { return k.Fleet.Sites[0].Zone }

// Site returns the store of the demo's site: five controllers, read every 10 s but for their settings, which are read
// every 5 min, in the year before [End]. As the daemon leaves it, it has every reading of the last 90 days, and of those before
// rollups of 5 minutes, rollups of hours and days of the whole year, and alarms now and then.
func Site(t testing.TB) *Kept {
	t.Helper()
	return SiteUntil(t, End)
}

// SiteUntil is [Site] for another end.
func SiteUntil(t testing.TB, end time.Time) *Kept {
	t.Helper()
	k := demo(t)
	k.End = end
	k.keep(t, "site-"+end.UTC().Format("20060102T15"), func(path string) error {
		return fill(context.Background(), path, k, end.AddDate(-1, 0, 0).Truncate(24*time.Hour))
	})
	return k
}

// Copy copies the store into a folder of the test's own, where it may be written to, and returns where it is.
func (k *Kept) Copy(t testing.TB) string {
	t.Helper()
	body, err := os.ReadFile(k.Path)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "ringwarden.db")
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// keep finds the file of a name, or lets it be made: under another name, so that nobody meets half of one.
func (k *Kept) keep(t testing.TB, name string, make func(path string) error) {
	t.Helper()
	folder := os.Getenv("RINGWARDEN_BENCH_DIR")
	if folder == "" {
		folder = filepath.Join(os.TempDir(), "ringwarden-bench")
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	k.Path = filepath.Join(folder, fmt.Sprintf("%s-%d.%d.db", name, store.Format, recipe))
	if _, err := os.Stat(k.Path); err == nil {
		return
	}
	start, part := time.Now(), fmt.Sprintf("%s.%d", k.Path, os.Getpid())
	defer os.Remove(part)
	err := make(part)
	if err == nil {
		err = os.Rename(part, k.Path)
	}
	if err != nil {
		t.Fatalf("making %s: %v", k.Path, err)
	}
	t.Logf("made %s in %v; it is kept", k.Path, time.Since(start).Round(time.Second))
}

// demo is the demo's fleet as a site of its kind is polled.
func demo(t testing.TB) *Kept {
	t.Helper()
	const file = "demo/fleet.yaml"
	data, err := testdata.Files.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse(file, data, nil)
	if err != nil {
		t.Fatal(err)
	}
	f.Periods = fleet.Periods{Fast: Period, Normal: Period, Slow: 30 * Period}
	k := &Kept{Fleet: f, Maps: map[string]*registermap.Map{}}
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		body, err := testdata.Files.ReadFile(c.Map)
		if err != nil {
			t.Fatal(err)
		}
		if k.Maps[c.Map], err = registermap.Parse(c.Map, body); err != nil {
			t.Fatal(err)
		}
		return true
	})
	return k
}
