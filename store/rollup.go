package store

import (
	"context"
	"iter"
	"time"

	"ringwarden/fleet"
)

// A Resolution is the length of the buckets of a rollup.
type Resolution uint8

// The resolutions. Buckets are cut from each local day of the controller's site, so that those of one resolution tile
// the day and days of 23 and 25 hours come out even.
const (
	FiveMinutes Resolution = iota
	Hour
	Day
)

var resolutionNames = [...]string{"5m", "1h", "1d"}

// String returns the word that people see.
func (r Resolution) String() string {
	if int(r) < len(resolutionNames) {
		return resolutionNames[r]
	}
	return "?"
}

// ResolutionFor returns the finest resolution with at most points buckets in a span of time, and [Day] if none has.
func ResolutionFor(span time.Duration, points int) Resolution {
	switch {
	case span <= time.Duration(points)*5*time.Minute:
		return FiveMinutes
	case span <= time.Duration(points)*time.Hour:
		return Hour
	}
	return Day
}

// A Rollup is what one point of one controller did in one bucket of time. Buckets without a good sample and without
// cover are left out.
type Rollup struct {
	Start, End           time.Time
	Count                int     // good samples in it
	Min, Mean, Max, Last float64 // of the good samples' numbers; 0 if there are none; Mean is plain, not weighted by time, and to a thousandth
	Covered              time.Duration
	// Joules, for a power in watts: the integral over Covered, by trapezoids. For a counter: how much it grew. To a tenth.
	Total  float64
	Stages [len(stageSlots)]time.Duration // for a stage: how long each was held, by [fleet.Stage]
}

// stageSlots gives a rollup room for every stage.
var stageSlots [8]struct{}

// Coverage returns the covered share of the bucket, from 0 to 1.
func (r *Rollup) Coverage() float64 { return float64(r.Covered) / float64(r.End.Sub(r.Start)) }

// Rollups gives the rollups of a point whose buckets begin at or after from and before to, in the order of time. A day
// that is not folded yet is rolled up from its raw samples on the way. An error ends it, and comes with an empty rollup.
func (s *Store) Rollups(ctx context.Context, id fleet.ControllerID, point string, r Resolution, from, to time.Time) iter.Seq2[Rollup, error] {
	days := rollupReader{s: s, id: id, point: point, resolution: r, zone: s.zone(id)}
	return days.rollups(ctx, from, to)
}

// zone returns the time zone whose days a controller's rollups follow.
func (s *Store) zone(id fleet.ControllerID) *time.Location {
	if s.zoneOf != nil {
		if z := s.zoneOf(id); z != nil {
			return z
		}
	}
	return time.UTC
}
