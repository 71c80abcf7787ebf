package metrics

import (
	"sync"
	"time"

	dto "github.com/prometheus/client_model/go"

	"ringwarden/fleet"
)

// freshPeriods is for how many periods of its group a reading is exposed; design.md, section 6, bridges as many.
const freshPeriods = 3

// A controller is what is known of one controller of the fleet. It stays the same over an [Metrics.Update], so that
// its counters do.
type controller struct {
	site *site
	base labels               // site, ring, controller
	poll [outcomeCount]labels // of its polls, by outcome

	mu       sync.Mutex
	link     *dto.LabelPair // the cable that feeds it; nil: none
	about    []sample       // what the fleet file says
	readings [groupCount]readings
	series   []series // what readings expose
	changed  bool     // series must be made anew
	polls    [outcomeCount]uint64
	newest   time.Time // of the polls that were not skipped
	group    fleet.Group
	answered bool // the newest one was
}

// These hold as long as the lists of package fleet do; a test compares them.
const (
	groupCount   = 3
	outcomeCount = 6
	qualityCount = 6
)

// readings are the newest answered frame of a poll group.
type readings struct {
	at     time.Time
	layout *fleet.Layout
	values []fleet.Value
}

// put takes a frame and reports whether it was news.
func (c *controller) put(f *fleet.Frame, now time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.polls[f.Outcome]++
	if f.Outcome == fleet.Skipped {
		return true
	}
	if newer(f.At, c.newest, now) {
		c.newest, c.group, c.answered = f.At, f.Group, f.Outcome == fleet.Answered
	}
	if f.Outcome != fleet.Answered || f.Layout == nil {
		return true
	}
	r := &c.readings[f.Group]
	if !newer(f.At, r.at, now) {
		return false
	}
	if r.layout != f.Layout {
		r.layout, c.changed = f.Layout, true
	}
	r.at, r.values = f.At, append(r.values[:0], f.Values...)
	return true
}

// newer reports whether a frame of the instant at replaces one of the instant was. One that lies in the future,
// because the clock was set back, must not keep out what comes now.
func newer(at, was, now time.Time) bool { return !at.Before(was) || was.After(now) }

// fresh reports whether what was due at an instant may still be exposed.
func fresh(at, now time.Time, period time.Duration) bool {
	return !at.IsZero() && now.Sub(at).Abs() <= freshPeriods*period
}

// relabel takes over what the fleet file says now.
func (c *controller) relabel(link *dto.LabelPair, about []sample) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.link, c.about, c.changed = link, about, true
}

// samples returns everything that the controller exposes at an instant. The frames of a group are taken whole.
func (c *controller) samples(now time.Time, periods fleet.Periods) []sample {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.changed {
		c.compile()
	}
	out := make([]sample, 0, len(c.series)+len(c.about)+outcomeCount+2)
	out = append(out, c.about...)
	for outcome, n := range c.polls {
		out = append(out, sample{polls, c.poll[outcome], float64(n)})
	}
	if !c.newest.IsZero() {
		up := c.answered && fresh(c.newest, now, periods.Of(c.group))
		out = append(out, sample{controllerUp, c.base, one(up)})
	}
	return c.appendReadings(out, now, periods)
}

func (c *controller) appendReadings(out []sample, now time.Time, periods fleet.Periods) []sample {
	var (
		current [groupCount]bool
		refused int
		any     bool
	)
	for g := range c.readings {
		r := &c.readings[g]
		current[g] = fresh(r.at, now, periods.Of(fleet.Group(g)))
		any = any || current[g]
		for i := range r.values {
			if current[g] && r.values[i].Quality == fleet.Unreadable {
				refused++
			}
		}
	}
	if any {
		out = append(out, sample{unreadable, c.base, float64(refused)})
	}
	for i := range c.series {
		s := &c.series[i]
		r := &c.readings[s.group]
		if !current[s.group] || s.point >= len(r.values) || r.values[s.point].Quality != fleet.Good {
			continue
		}
		if sm, ok := s.sample(&r.values[s.point]); ok {
			out = append(out, sm)
		}
	}
	return out
}

func (c *controller) compile() {
	into := compiler{base: c.base, link: c.link, points: map[string]bool{}, done: map[fleet.Quantity]bool{}}
	for _, g := range fleet.Groups {
		if l := c.readings[g].layout; l != nil {
			into.layout(g, l)
		}
	}
	c.series, c.changed = into.series, false
}
