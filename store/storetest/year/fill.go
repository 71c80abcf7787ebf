package year

import (
	"context"
	"errors"
	"time"

	"ringwarden/fleet"
	"ringwarden/simulator"
	"ringwarden/store"
)

// Period is how often the controllers are read.
const Period = 10 * time.Second

// A Source makes what polls of a simulated plant bring, tick by tick.
type Source struct {
	fleet *fleet.Fleet
	plant *simulator.Plant
	now   time.Time
	frame fleet.Frame
}

// NewSource begins to poll the plant of a store at an instant.
func (k *Kept) NewSource(at time.Time) (*Source, error) {
	plant, err := simulator.New(k.Fleet, k.Maps, simulator.Options{Seed: seed, Start: at})
	return &Source{fleet: k.Fleet, plant: plant, now: at}, err
}

// Tick gives the frames of the next ten seconds one after the other; they are valid until the next one.
func (s *Source) Tick(put func(*fleet.Frame)) {
	s.now = s.now.Add(Period)
	s.plant.Advance(s.now)
	for _, g := range fleet.Groups {
		if s.now.UnixNano()%int64(s.fleet.Periods.Of(g)) != 0 {
			continue
		}
		s.fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
			if s.plant.Frame(c.ID, g, &s.frame) {
				put(&s.frame)
			}
			return true
		})
	}
}

// commit is how many ticks go into one commit: the year is made faster so, and what is stored is the same.
const commit = 360

// fill makes the store of a year through the doors that a daemon has: frames are appended, windows folded, days rolled
// up, and what is too old is dropped.
func fill(ctx context.Context, path string, k *Kept, from time.Time) error {
	s, err := store.Open(path, store.Options{Zone: k.Zone})
	if err != nil {
		return err
	}
	source, err := k.NewSource(from)
	if err != nil {
		return err
	}
	l := store.Limits{Raw: fleet.DefaultKeep.Raw, FiveMinutes: fleet.DefaultKeep.FiveMinutes}
	var frames []fleet.Frame
	for swept := from; source.now.Before(k.End); {
		frames = frames[:0]
		for n := 0; n < commit && source.now.Before(k.End); n++ {
			source.Tick(func(f *fleet.Frame) { frames = append(frames, *f.Clone()) })
		}
		if err := s.Append(ctx, frames); err != nil {
			return err
		}
		if source.now.Sub(swept) < 2*time.Hour && source.now.Before(k.End) {
			continue
		}
		swept = source.now
		if err := s.FoldDue(ctx, source.now); err != nil {
			return err
		}
		if _, err := s.Retain(ctx, source.now, l); err != nil {
			return err
		}
	}
	if err := s.PutChanges(ctx, changes(k.Fleet, from, k.End)); err != nil {
		return err
	}
	return s.Close()
}

// changes are the alarms of a year: at each ring a cable that is loose now and then, and somebody who sees to it.
func changes(f *fleet.Fleet, from, to time.Time) []fleet.Change {
	var all []fleet.Change
	for at := from.Add(100 * time.Hour); at.Before(to); at = at.Add(60 * time.Hour) {
		for s := range f.Sites {
			links := f.Sites[s].Rings[0].Links()
			if s%7 != int(at.Unix()/3600)%7 && len(f.Sites) > 1 { // of a company each time a seventh
				continue
			}
			a := fleet.Alarm{
				AlarmKey: fleet.AlarmKey{Kind: "link-noisy", Subject: fleet.Subject(links[int(at.Unix()/3600)%len(links)].ID)},
				State:    fleet.Unacknowledged, Priority: fleet.Medium, Since: at, Raised: at.Add(10 * time.Minute),
				Text: "Damaged frames arrive over this cable.", Advice: "Look at both plugs of the cable.",
			}
			raised := fleet.Change{At: a.Raised, From: fleet.AlarmNormal, Alarm: a}
			a.State = fleet.Acknowledged
			seen := fleet.Change{At: at.Add(time.Hour), From: fleet.Unacknowledged, Alarm: a, Who: "robin", Why: "looked at it"}
			a.State = fleet.AlarmNormal
			over := fleet.Change{At: at.Add(5 * time.Hour), From: fleet.Acknowledged, Alarm: a}
			all = append(all, raised, seen, over)
		}
	}
	return all
}

// Extend appends to a copy of the store what its plant would have been read until an instant, as a daemon would.
func (k *Kept) Extend(ctx context.Context, path string, until time.Time) error {
	s, err := store.Open(path, store.Options{Zone: k.Zone})
	if err != nil {
		return err
	}
	source, err := k.NewSource(k.End)
	if err != nil {
		return err
	}
	var frames []fleet.Frame
	for source.now.Before(until) {
		source.Tick(func(f *fleet.Frame) { frames = append(frames, *f.Clone()) })
		if len(frames) < 5*commit && source.now.Before(until) {
			continue
		}
		if err := errors.Join(s.Append(ctx, frames), s.FoldDue(ctx, source.now)); err != nil {
			return err
		}
		frames = frames[:0]
	}
	return s.Close()
}
