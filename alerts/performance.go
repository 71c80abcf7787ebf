package alerts

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"ringwarden/fleet"
)

// Limits are what the standard leaves to the plant, and where it gives figures, those. The zero value is not useful;
// begin with [DefaultLimits].
type Limits struct {
	ChatterWindow time.Duration // an alarm that comes or goes ChatterSteps times within it chatters
	ChatterSteps  int
	Fleeting      time.Duration // one that goes within this, with nobody's help, is fleeting
	Stale         time.Duration // one that stands for longer is stale
	FloodStarts   int           // a flood starts with more alarms than this in ten minutes
	FloodEnds     int           // and ends with fewer than this
}

// DefaultLimits are ISA-18.2-2016's (16.4.4, 16.4.7) where it has some. It has none for chattering and fleeting: texts
// about it use 10 and 30 s for fleeting, and for chattering more than 5 transitions in 5 minutes or less, which is made
// wider here, since polls and off-delays are slower than a process plant's.
var DefaultLimits = Limits{
	ChatterWindow: 15 * time.Minute, ChatterSteps: 6, Fleeting: 30 * time.Second, Stale: 24 * time.Hour,
	FloodStarts: 10, FloodEnds: 5,
}

// tenMinutes is the standard's unit of an operator's time.
const tenMinutes = 10 * time.Minute

// Performance is how well the alarms of a time served the people who get them (ISA-18.2-2016, 16.4).
type Performance struct {
	From, To time.Time
	Alarms   int     // how often one was raised
	PerHour  float64 // target about 6, at most about 12
	MostIn10 int     // largest number in ten minutes of the clock; at most 10
	Over10   float64 // share of those ten minutes with more than 10; target below 1 %
	Over30   float64 // share of hours with more than 30; target below 1 %

	Floods     int
	FloodTime  time.Duration
	FloodShare float64 // of the whole time; target below 1 %

	TopTen      []Frequency // the most frequent ones, most first
	TopTenShare float64     // of all; target about 1 %, at most 5 %
	Chattering  []Frequency // Count is how often each came or went in its worst window; target none
	Fleeting    []Frequency // Count is how often; target none
	Stale       []Standing  // at any time; target below 5
	ByPriority  [3]float64  // shares of low, medium and high; target 80, 15 and 5 %
	Shelved     int         // how often one was shelved
	Suppressed  int         // how often one was suppressed by design
}

// A Frequency is how often something happened to an alarm.
type Frequency struct {
	fleet.AlarmKey
	Count int
}

// A Standing is an alarm that stood without a break.
type Standing struct {
	fleet.AlarmKey
	For time.Duration
}

// A Meter counts changes of alarms into a [Performance]. It holds a little for each alarm that changed and for the
// last ten minutes, whatever the length of the time.
type Meter struct {
	limits     Limits
	p          Performance
	keys       map[fleet.AlarmKey]*tallied
	recent     []time.Time // raised in the last ten minutes
	flood      time.Time   // since when there is one; zero: none
	last       time.Time
	in10, in30 slot
	over10     int
	over30     int
	priority   [3]int
}

// A tallied is what is known of one alarm.
type tallied struct {
	raised, fleeting int
	steps            []time.Time // within the chatter window
	worst            int         // most steps in a window
	since            time.Time   // annunciated since; zero: it is not
	stood            time.Duration
}

// A slot is a stretch of the clock with the alarms that were raised in it.
type slot struct {
	n     int64
	count int
}

// NewMeter measures from an instant on. Standing are the alarms that stood then.
func NewMeter(from time.Time, limits Limits, standing ...fleet.Alarm) *Meter {
	m := &Meter{limits: limits, keys: map[fleet.AlarmKey]*tallied{}, last: from}
	m.p.From = from
	for i := range standing {
		if annunciated(standing[i].State) {
			m.of(standing[i].AlarmKey).since = standing[i].Raised
		}
	}
	return m
}

// Measure returns the figures of a time from its changes. Standing are the alarms that stand at its end.
func Measure(from, to time.Time, standing []fleet.Alarm, changes iter.Seq2[fleet.Change, error]) (Performance, error) {
	var before []fleet.Alarm // stood at the beginning, and still do
	for i := range standing {
		if standing[i].Raised.Before(from) {
			before = append(before, standing[i])
		}
	}
	m := NewMeter(from, DefaultLimits, before...)
	for c, err := range changes {
		if err != nil {
			return Performance{}, err
		}
		m.Add(&c)
	}
	return m.Performance(to), nil
}

func (m *Meter) of(key fleet.AlarmKey) *tallied {
	t, ok := m.keys[key]
	if !ok {
		t = &tallied{}
		m.keys[key] = t
	}
	return t
}

// annunciated reports whether a person is shown the alarm: also one that has gone and nobody has seen.
func annunciated(s fleet.AlarmState) bool { return s.Active() || s == fleet.ReturnedUnacknowledged }

// Add counts a change. Changes come in the order of time. Orders that take a part of the fleet out of service are no
// alarms, and are not counted.
func (m *Meter) Add(c *fleet.Change) {
	if c.Alarm.Kind == KindOutOfService || c.From == c.Alarm.State {
		return
	}
	m.advance(c.At)
	_, known := m.keys[c.Alarm.AlarmKey]
	t := m.of(c.Alarm.AlarmKey)
	if !known && annunciated(c.From) { // it stood when the time began, and whoever made the meter did not know
		t.since = c.Alarm.Raised
	}
	if t.since.IsZero() && annunciated(c.From) && c.Alarm.State != fleet.Unacknowledged {
		t.since = c.Alarm.Raised // it stood before the first change that was counted
	}
	raised := c.Alarm.State == fleet.Unacknowledged
	went := c.From.Active() && !c.Alarm.State.Active() && c.Who == ""
	if raised || went {
		t.step(c.At, &m.limits)
	}
	switch {
	case raised:
		m.raise(c)
		t.raised++
	case went && !c.Alarm.Raised.IsZero() && c.At.Sub(c.Alarm.Raised) <= m.limits.Fleeting && c.From == fleet.Unacknowledged:
		t.fleeting++
	}
	switch c.Alarm.State {
	case fleet.Shelved:
		m.p.Shelved++
	case fleet.Suppressed:
		m.p.Suppressed++
	}
	switch is := annunciated(c.Alarm.State); {
	case is && t.since.IsZero():
		t.since = c.At
	case !is && !t.since.IsZero():
		t.stood = max(t.stood, c.At.Sub(t.since))
		t.since = time.Time{}
	}
}

func (m *Meter) raise(c *fleet.Change) {
	m.p.Alarms++
	if p := int(c.Alarm.Priority); p < len(m.priority) {
		m.priority[p]++
	}
	m.over10 += m.in10.add(c.At, tenMinutes, 10, &m.p.MostIn10)
	var mostInHour int
	m.over30 += m.in30.add(c.At, time.Hour, 30, &mostInHour)
	m.recent = append(m.recent, c.At)
	if m.flood.IsZero() && len(m.recent) > m.limits.FloodStarts {
		m.flood = c.At
		m.p.Floods++
	}
}

// add counts one more and returns 1 if the slot has just become fuller than limit.
func (s *slot) add(at time.Time, size time.Duration, limit int, most *int) int {
	if n := at.UnixNano() / int64(size); n != s.n || s.count == 0 {
		*s = slot{n: n}
	}
	s.count++
	*most = max(*most, s.count)
	if s.count == limit+1 {
		return 1
	}
	return 0
}

// advance forgets what is older than ten minutes, and ends a flood at the instant at which it falls below its end.
func (m *Meter) advance(now time.Time) {
	m.last = now
	for len(m.recent) > 0 && now.Sub(m.recent[0]) >= tenMinutes {
		gone := m.recent[0].Add(tenMinutes)
		m.recent = m.recent[1:]
		if !m.flood.IsZero() && len(m.recent) < m.limits.FloodEnds {
			m.p.FloodTime += gone.Sub(m.flood)
			m.flood = time.Time{}
		}
	}
}

func (t *tallied) step(at time.Time, l *Limits) {
	for len(t.steps) > 0 && at.Sub(t.steps[0]) > l.ChatterWindow {
		t.steps = t.steps[1:]
	}
	t.steps = append(t.steps, at)
	t.worst = max(t.worst, len(t.steps))
}

// Performance returns the figures up to an instant, which is not before the last change.
func (m *Meter) Performance(to time.Time) Performance {
	m.advance(to)
	p := m.p
	p.To = to
	if !m.flood.IsZero() {
		p.FloodTime += to.Sub(m.flood)
	}
	lasted := to.Sub(p.From)
	if hours := lasted.Hours(); hours > 0 {
		p.PerHour = float64(p.Alarms) / hours
		p.Over10 = min(1, float64(m.over10)/max(1, hours*6))
		p.Over30 = min(1, float64(m.over30)/max(1, hours))
		p.FloodShare = min(1, p.FloodTime.Hours()/hours)
	}
	for key, t := range m.keys {
		if t.raised > 0 {
			p.TopTen = append(p.TopTen, Frequency{key, t.raised})
		}
		if t.worst >= m.limits.ChatterSteps {
			p.Chattering = append(p.Chattering, Frequency{key, t.worst})
		}
		if t.fleeting > 0 {
			p.Fleeting = append(p.Fleeting, Frequency{key, t.fleeting})
		}
		stood := t.stood
		if !t.since.IsZero() {
			stood = max(stood, to.Sub(t.since))
		}
		if stood > m.limits.Stale {
			p.Stale = append(p.Stale, Standing{key, stood})
		}
	}
	m.finish(&p)
	return p
}

// finish orders the lists and works out the shares.
func (m *Meter) finish(p *Performance) {
	for _, list := range []*[]Frequency{&p.TopTen, &p.Chattering, &p.Fleeting} {
		slices.SortFunc(*list, func(a, b Frequency) int {
			return cmp.Or(b.Count-a.Count, cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
		})
	}
	slices.SortFunc(p.Stale, func(a, b Standing) int {
		return cmp.Or(cmp.Compare(b.For, a.For), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	p.TopTen = p.TopTen[:min(10, len(p.TopTen))]
	if p.Alarms == 0 {
		return
	}
	top := 0
	for _, f := range p.TopTen {
		top += f.Count
	}
	p.TopTenShare = float64(top) / float64(p.Alarms)
	for i, n := range m.priority {
		p.ByPriority[i] = float64(n) / float64(p.Alarms)
	}
}
