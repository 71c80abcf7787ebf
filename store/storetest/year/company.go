package year

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"slices"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
	"ringwarden/store"
)

// Sites is how many sites a [Company] has. They have three, four and five controllers in turn: 1,200 in all.
const Sites = 300

// What is kept of a company: enough to find everything at its real depth in a file of 2 to 3 GB.
const (
	companyRaw  = 3 * 24 * time.Hour
	companyFine = 31 * 24 * time.Hour
)

// rawFrom returns since when a company's readings are kept.
func rawFrom(end time.Time) time.Time { return end.Add(-companyRaw).Truncate(24 * time.Hour) }

// companyPoints are those whose rollups of hours and days are kept for the whole year, and those of 5 minutes for a
// month: what curves, reports and the pages of cables are made of.
var companyPoints = []fleet.Quantity{
	fleet.OutputPower, fleet.BatteryVoltage, fleet.BatteryCurrent, fleet.BatteryTemperature, fleet.EnergyLifetime,
	fleet.QuantityStage, fleet.LinkGood, fleet.LinkBad, fleet.LinkOK,
}

// Company returns the store of a company of 300 sites, each a copy of some of the controllers of [Site] under ids of its
// own. It has every reading of three days, the newest in the journal; of nine points rollups of 5 minutes of a
// month, and of hours and days of the year; and a year's alarms. So it is what a daemon leaves that is told to keep
// readings for three days, less the rollups of what people seldom look at, which would make it five times as large.
func Company(t testing.TB) *Kept {
	t.Helper()
	site := Site(t)
	k := &Kept{Fleet: spread(site.Fleet, Sites), Maps: site.Maps, End: site.End}
	k.keep(t, "company", func(path string) error { return copyOut(context.Background(), site, k, path) })
	return k
}

// spread returns a fleet of n sites like the only one of f.
func spread(f *fleet.Fleet, n int) *fleet.Fleet {
	wide, pattern := *f, f.Sites[0]
	wide.Sites = nil
	for s := range n {
		site, ring := pattern, pattern.Rings[0]
		site.ID, site.Name = fleet.SiteID(fmt.Sprintf("site-%03d", s+1)), fmt.Sprintf("Site %d", s+1)
		ring.ID = fleet.RingID(string(site.ID) + "/wheelhouse")
		ring.Controllers = slices.Clone(ring.Controllers[:3+s%3])
		for i := range ring.Controllers {
			c := &ring.Controllers[i]
			c.ID = fleet.ControllerID(string(ring.ID) + "/" + c.ID.Slug())
		}
		site.Rings = []fleet.Ring{ring}
		wide.Sites = append(wide.Sites, site)
	}
	return &wide
}

// A twin is a controller of a company, and the one of the site that it is a copy of.
type twin struct{ of, id string }

// twins lists them in the order of the bytes that their ids begin keys with: prefix makes those of an id.
func twins(company *fleet.Fleet, site *fleet.Fleet, prefix func(string) []byte) []twin {
	var all []twin
	company.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		all = append(all, twin{string(site.Sites[0].Rings[0].ID) + "/" + c.ID.Slug(), string(c.ID)})
		return true
	})
	slices.SortFunc(all, func(a, b twin) int { return bytes.Compare(prefix(a.id), prefix(b.id)) })
	return all
}

// copyOut makes the store of a company. Folded frames and rollups are copied record by record, with other keys: see
// store/FORMAT.md for what those are. What is not folded is appended, as by a daemon.
func copyOut(ctx context.Context, site, company *Kept, path string) error {
	s, err := store.Open(path, store.Options{Zone: company.Zone})
	if err != nil {
		return err
	}
	if err := s.PutChanges(ctx, changes(company.Fleet, site.End.AddDate(-1, 0, 0), site.End)); err != nil {
		return err
	}
	if err := company.appendTail(ctx, s, site); err != nil {
		return err
	}
	if _, err := s.DropBefore(ctx, store.KindRaw, rawFrom(site.End)); err != nil { // notes that older readings are gone
		return err
	}
	if err := s.Close(); err != nil {
		return err
	}
	lean := path + ".lean"
	defer os.Remove(lean)
	if err := copyLean(ctx, site, lean); err != nil {
		return err
	}
	from, err := bbolt.Open(lean, 0, &bbolt.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := bbolt.Open(path, 0o600, &bbolt.Options{PageSize: 4096, FreelistType: bbolt.FreelistMapType, NoSync: true})
	if err != nil {
		return err
	}
	defer to.Close()
	err = from.View(func(tx *bbolt.Tx) error {
		c := &copier{from: tx, to: to}
		c.copyLayouts()
		c.copyDue(site, company)
		c.copyChunks(site, company)
		c.copyFine(site, company)
		c.copyCoarse(site, company)
		return c.flush()
	})
	if err == nil {
		err = to.Sync()
	}
	return err
}

// copyLean copies a store, and drops what readings a company does not keep: their five minutes come in their place.
func copyLean(ctx context.Context, site *Kept, path string) error {
	body, err := os.ReadFile(site.Path)
	if err != nil {
		return err
	}
	if err := os.WriteFile(path, body, 0o600); err != nil {
		return err
	}
	s, err := store.Open(path, store.Options{Zone: site.Zone})
	if err != nil {
		return err
	}
	_, err = s.DropBefore(ctx, store.KindRaw, rawFrom(site.End))
	return errors.Join(err, s.Close())
}

// appendTail appends the frames of the window under way, and lets the store fold of them what it folds by the clock.
func (k *Kept) appendTail(ctx context.Context, s *store.Store, site *Kept) error {
	pattern, err := store.Open(site.Path, store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer pattern.Close()
	var wide []fleet.Frame
	folded := windowStart(k.End)
	for f, err := range pattern.Frames(ctx, store.Query{From: windowStart(k.End)}) {
		if err != nil {
			return err
		}
		if len(wide) > 20_000 && !f.At.Equal(wide[0].At) {
			if err := s.Append(ctx, wide); err != nil {
				return err
			}
			wide = wide[:0]
			if f.At.Sub(folded) > 5*time.Minute {
				folded = f.At
				if err := s.FoldDue(ctx, f.At); err != nil {
					return err
				}
			}
		}
		wide = k.Spread(wide, &f)
	}
	return s.Append(ctx, wide)
}

// windowStart returns where the window begins that is not folded as a whole at an instant.
func windowStart(at time.Time) time.Time { return at.Add(-30 * time.Minute).Truncate(12 * time.Hour) }

// Spread appends a copy of a frame of the site for each controller of a company that is like its own.
func (k *Kept) Spread(dst []fleet.Frame, f *fleet.Frame) []fleet.Frame {
	slug := f.Controller.Slug()
	k.Fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if c.ID.Slug() == slug {
			twin := *f
			twin.Controller = c.ID
			dst = append(dst, twin)
		}
		return true
	})
	return dst
}

// pointsOf returns the names of the points of a controller whose rollups a company keeps, in the order of their keys.
func (k *Kept) pointsOf(id string) []string {
	var names []string
	k.Fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if string(c.ID) != id {
			return true
		}
		for _, p := range k.Maps[c.Map].Points() {
			if slices.Contains(companyPoints, p.Quantity) {
				names = append(names, p.Name)
			}
		}
		return false
	})
	slices.SortFunc(names, func(a, b string) int { return bytes.Compare(text(a), text(b)) })
	return names
}

// seal puts a body's checksum in front of it.
func seal(key, body []byte) []byte {
	sum := crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, body)
	return append(binary.BigEndian.AppendUint32(nil, sum), body...)
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)
