package year

import (
	"path/filepath"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// What benchmarks measure is a store in good order, and a company's controllers have the readings of those that they
// are copies of: records that are copied under other keys are the store's own.
func TestCompanyOfTwoDays(t *testing.T) {
	site := demo(t)
	site.End = End
	site.Path = filepath.Join(t.TempDir(), "site.db")
	if err := fill(t.Context(), site.Path, site, End.Add(-50*time.Hour)); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, site.Path)
	company := &Kept{Fleet: spread(site.Fleet, 3), Maps: site.Maps, End: End, Path: filepath.Join(t.TempDir(), "company.db")}
	if err := copyOut(t.Context(), site, company, company.Path); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, company.Path)

	one, many := open(t, site), open(t, company)
	for _, step := range []store.Resolution{store.FiveMinutes, store.Hour, store.Day} {
		want, got := powers(t, one, step, "fernhollow-mill/wheelhouse/south-field"), powers(t, many, step, "site-002/wheelhouse/south-field")
		if len(want) < 2 || len(got) != len(want) {
			t.Fatalf("%v: %d rollups, want %d", step, len(got), len(want))
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("%v: rollup %d is %+v, want %+v", step, i, got[i], want[i])
			}
		}
	}
}

func open(t *testing.T, k *Kept) *store.Store {
	t.Helper()
	s, err := store.Open(k.Path, store.Options{ReadOnly: true, Zone: k.Zone})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func powers(t *testing.T, s *store.Store, step store.Resolution, id string) (all []store.Rollup) {
	t.Helper()
	for r, err := range s.Rollups(t.Context(), fleet.ControllerID(id), "power_out", step, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	return all
}
