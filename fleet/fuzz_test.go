package fleet_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// Whatever a person or a disk makes of the file: no panic, every fault with a place, and a fleet that is taken holds
// what everybody downstream relies on.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"testdata/good/*.yaml", "testdata/bad/*.yaml", demoFile} {
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			f.Fatalf("no seeds %s: %v", pattern, err)
		}
		for _, file := range found {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	page, err := os.ReadFile(formatPage)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(exampleBlock.FindSubmatch(page)[1])
	f.Fuzz(func(t *testing.T, data []byte) {
		parsed, err := fleet.Parse("fleet.yaml", data, kinds)
		if (parsed == nil) == (err == nil) {
			t.Fatalf("Parse = %v, %v", parsed, err)
		}
		for _, e := range userfile.Errors(err) {
			if e.Line < 1 || e.Column < 1 || e.Msg == "" {
				t.Errorf("a fault without a place: %v", e)
			}
		}
		if err == nil {
			checkFleet(t, parsed)
		}
	})
}

// checkFleet is what other rooms rely on without looking.
func checkFleet(t *testing.T, f *fleet.Fleet) {
	t.Helper()
	seen := map[string]bool{}
	once := func(id string, parent string) {
		if seen[id] || !strings.HasPrefix(id, parent) || strings.HasSuffix(id, "/") {
			t.Errorf("id %q under %q is doubled, or no path", id, parent)
		}
		seen[id] = true
	}
	if f.Periods.Fast < time.Millisecond || f.Periods.Normal%f.Periods.Fast != 0 || f.Periods.Slow%f.Periods.Fast != 0 || f.Commit <= 0 {
		t.Errorf("periods %+v, commit %v", f.Periods, f.Commit)
	}
	for s := range f.Sites {
		site := &f.Sites[s]
		once(string(site.ID), "")
		if site.Zone == nil || len(site.Rings) == 0 {
			t.Errorf("site %s has zone %v and %d rings", site.ID, site.Zone, len(site.Rings))
		}
		for r := range site.Rings {
			once(string(site.Rings[r].ID), string(site.ID)+"/")
			for _, l := range site.Rings[r].Links() {
				once(string(l.ID), string(site.Rings[r].ID)+"/")
			}
			if len(site.Rings[r].Controllers) == 0 {
				t.Errorf("ring %s is empty", site.Rings[r].ID)
			}
		}
	}
	f.All(func(_ *fleet.Site, r *fleet.Ring, c *fleet.Controller) bool {
		once(string(c.ID), string(r.ID)+"/")
		unit := c.Host + "#" + string(rune(c.Unit))
		if seen[unit] || !strings.Contains(c.Host, ":") || c.Map == "" {
			t.Errorf("%s answers at %q unit %d by map %q", c.ID, c.Host, c.Unit, c.Map)
		}
		seen[unit] = true
		if c.Source.Turns() && c.Intended.OnSharedFault != fleet.Stay && !c.OwnBrake {
			t.Errorf("%s is a %s that would trip", c.ID, c.Source)
		}
		return true
	})
}
