package store

import (
	"context"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

// RollupsOf gives what [Store.Rollups] gives for each of several points of one controller, to the last bit, in the order
// of the points. Of days that are not folded yet it goes over the raw frames once for all points, where Rollups would
// once for each; all that it gives is in memory at once.
func (s *Store) RollupsOf(ctx context.Context, id fleet.ControllerID, points []string, r Resolution, from, to time.Time) ([][]Rollup, error) {
	raw := &rawDays{points: slices.Compact(slices.Sorted(slices.Values(points))), made: make(map[day][][]Rollup)}
	all := make([][]Rollup, len(points))
	for i, point := range points {
		days := rollupReader{s: s, id: id, point: point, resolution: r, zone: s.zone(id), raw: raw}
		for o, err := range days.rollups(ctx, from, to) {
			if err != nil {
				return nil, err
			}
			all[i] = append(all[i], o)
		}
	}
	return all, nil
}

// A rawDays remembers the rollups that were made from raw frames for one of several points, which the next one wants too.
type rawDays struct {
	points []string // in order, each once
	made   map[day][][]Rollup
}

// of returns the rollups of a reader's point and a day, and makes them for all points where that was not done.
func (w *rawDays) of(ctx context.Context, r *rollupReader, d day) ([]Rollup, error) {
	made, ok := w.made[d]
	if !ok {
		var err error
		if made, err = r.s.rollRaw(ctx, r.id, w.points, d, r.resolution); err != nil {
			return nil, err
		}
		w.made[d] = made
	}
	place, _ := slices.BinarySearch(w.points, r.point)
	return made[place], nil
}

// rollRaw makes the rollups of a day of several points, each named once, from one reading of its raw frames; or of some points at
// a time, where that costs little.
func (s *Store) rollRaw(ctx context.Context, id fleet.ControllerID, points []string, d day, r Resolution) ([][]Rollup, error) {
	layouts, err := s.allLayouts()
	if err != nil {
		return nil, err
	}
	var told []string // the uptimes, which a counter needs: they come first
	if counted(layouts, points) {
		told = uptimes(layouts)
	}
	names := slices.Clone(told)
	for _, name := range points {
		if !slices.Contains(told, name) {
			names = append(names, name)
		}
	}
	atOnce, err := s.pointsAtOnce(d, len(names))
	if err != nil {
		return nil, err
	}
	made := make([][]Rollup, len(points))
	var restarts []restart
	for some := range slices.Chunk(names, max(atOnce, len(told), 1)) {
		curves, err := s.dayCurves(ctx, id, some, d)
		if err != nil {
			return nil, err
		}
		if len(told) > 0 {
			restarts, told = restartsOf(curves[:len(told)]), nil
		}
		for i, c := range curves {
			if place := slices.Index(points, some[i]); place >= 0 {
				c.restart = restarts
				made[place] = c.roll(d, r, gapPeriods*c.period())
			}
		}
	}
	return made, nil
}

// fewPoints is how many points of a folded day are in memory at once.
const fewPoints = 4

// pointsAtOnce returns of how many points out of so many the raw frames of a day are read at once: of a day that was over
// when the journal began it is a few, since its chunks have each point apart. What is in the journal is gone over once, for all.
func (s *Store) pointsAtOnce(d day, of int) (n int, err error) {
	n = of
	err = s.view(func(tx *bbolt.Tx) error {
		if k, _ := tx.Bucket(bucketJournal).Cursor().First(); len(k) != journalKeySize || d.end <= keyNanos(k) {
			n = min(n, fewPoints)
		}
		return nil
	})
	return n, err
}
