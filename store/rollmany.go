package store

import (
	"context"
	"slices"
	"time"

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

// rollRaw makes the rollups of a day of several points, each named once, from one reading of its raw frames.
func (s *Store) rollRaw(ctx context.Context, id fleet.ControllerID, points []string, d day, r Resolution) ([][]Rollup, error) {
	layouts, err := s.allLayouts()
	if err != nil {
		return nil, err
	}
	var told []string // the uptimes, which a counter needs
	names := slices.Clone(points)
	if counted(layouts, points) {
		told = uptimes(layouts)
	}
	for _, name := range told {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	curves, err := s.dayCurves(ctx, id, names, d)
	if err != nil {
		return nil, err
	}
	var ups []*curve
	for _, name := range told {
		ups = append(ups, curves[slices.Index(names, name)])
	}
	restarts := restartsOf(ups)
	made := make([][]Rollup, len(points))
	for i := range made {
		curves[i].restart = restarts
		made[i] = curves[i].roll(d, r, gapPeriods*curves[i].period())
	}
	return made, nil
}
