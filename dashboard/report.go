package dashboard

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/url"
	"slices"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/store"
)

// Limits of a report: what it may be of, and up to which length it is made of rollups of five minutes and of hours; a
// longer one, and whole months, are of days. Whatever the length, a few hundred rollups of each point are read.
const (
	longestReport  = 2 * 366 * 24 * time.Hour
	fineReport     = 2 * 24 * time.Hour
	hourlyReport   = 14 * 24 * time.Hour
	reportNotes    = 200 // the newest ones
	reportCalls    = 500 // the newest ones
	reportLongest  = 10  // alarms that stood longest
	stageCount     = 8   // fleet.Stage and unknown
	fullDayCovered = 0.5 // share of a day that must be covered before it is said that the bank was not full on it
)

// monthForm is how a month is written in an address.
const monthForm = "2006-01"

// A reportSpan is the time that a report is of.
type reportSpan struct {
	from, to time.Time
	until    time.Time // what has happened of it
	month    string    // empty: from and to were given
	step     store.Resolution
	settings bool // of a commissioning: what is set is shown as well
}

// reportSpanOf reads ?month, or ?from and ?to, by the site's own clock. Without a word it is the month so far. The ends
// are moved out to those of the rollups that are read.
func reportSpanOf(q url.Values, now time.Time, zone *time.Location) (reportSpan, error) {
	p := reportSpan{step: store.Day, settings: q.Get("settings") != ""}
	if q.Get("from") == "" {
		if q.Get("to") != "" {
			return p, refusal{fmt.Errorf("to is given without from; give both, or month=%s", now.In(zone).Format(monthForm))}
		}
		p.month = cmp.Or(q.Get("month"), now.In(zone).Format(monthForm))
		first, err := time.ParseInLocation(monthForm, p.month, zone)
		if err != nil || first.Year() < 1970 || first.Year() > 9000 {
			return p, refusal{fmt.Errorf("month=%q is no month; write it as in month=%s", p.month, now.In(zone).Format(monthForm))}
		}
		p.from = midnight(first.Add(12*time.Hour), zone) // where the clocks skip the first midnight, the day has one all the same
		p.to = midnight(first.AddDate(0, 1, 0).Add(12*time.Hour), zone)
		p.until = earlier(p.to, now)
		return p, nil
	}
	var err error
	if p.from, err = parseInstant("from", q.Get("from"), zone); err != nil {
		return p, err
	}
	p.to = now
	if to := q.Get("to"); to != "" {
		if p.to, err = parseInstant("to", to, zone); err != nil {
			return p, err
		}
	}
	switch span := p.to.Sub(p.from); {
	case span < 10*time.Minute || span > longestReport:
		return p, refusal{fmt.Errorf("from and to are %s apart; choose ten minutes or more, and two years at most", lasted(span))}
	case span <= fineReport:
		p.step = store.FiveMinutes
		p.from, p.to = bucketsAround(p.from, p.to, 5*time.Minute, zone)
	case span <= hourlyReport:
		p.step = store.Hour
		p.from, p.to = bucketsAround(p.from, p.to, time.Hour, zone)
	default:
		last := midnight(p.to.Add(-time.Nanosecond), zone)
		p.from, p.to = midnight(p.from, zone), midnight(last.Add(36*time.Hour), zone)
	}
	p.until = earlier(p.to, now)
	return p, nil
}

// bucketsAround moves two instants out to the ends of rollups, which are cut from each day of the site.
func bucketsAround(from, to time.Time, step time.Duration, zone *time.Location) (first, last time.Time) {
	return floorTo(from, step, zone), floorTo(to.Add(-time.Nanosecond), step, zone).Add(step)
}

func floorTo(t time.Time, step time.Duration, zone *time.Location) time.Time {
	day := midnight(t, zone)
	return day.Add(t.Sub(day).Truncate(step))
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// A siteReport is what is known of a site in a time.
type siteReport struct {
	site     *fleet.Site
	span     reportSpan
	at       time.Time // when it was made
	units    []unitReport
	rings    []ringReport
	measured alerts.Performance
	kinds    []alarmCount
	longest  []stoodAlarm
	standing []fleet.Alarm // now
	notes    []fleet.Note
	more     int // notes that were left out
}

// A unitReport is what is known of one controller.
type unitReport struct {
	c           *fleet.Controller
	joules      float64       // delivered, over covered
	covered     time.Duration // in which its power was read without a gap
	buckets     []energyBucket
	counter     float64 // joules by its own counter
	counted     bool    // it has one
	stages      [stageCount]time.Duration
	staged      time.Duration // in which its stage was read
	float       []floatBucket
	settings    []settingRow
	settingsOf  time.Time // when they were read; zero: never
	powerIsRead bool      // it has a point for its power
}

type energyBucket struct {
	start  time.Time
	joules float64
}

// A floatBucket says whether a controller was in float in a bucket, and how much of that was read.
type floatBucket struct {
	start, end time.Time
	float      bool
	covered    time.Duration
}

// A ringReport is what is known of one ring.
type ringReport struct {
	ring     *fleet.Ring
	units    []*unitReport
	fullDays []time.Time // days on which the bank came to float, by their midnights
	days     int         // days of which enough is known to say
	unfull   int         // most of those days in a row without
	calls    []keptCall  // oldest first
	links    []linkReport
}

// A linkReport is what a cable carried, as its receiver counted it.
type linkReport struct {
	link      fleet.Link
	good, bad float64 // frames
	counted   bool
	heard     float64 // share of samples in which the sender was heard; where frames are not counted
	sampled   int
	alarms    int           // times an alarm was raised on it
	stood     time.Duration // for how long alarms stood on it
}

// report gathers a report. It reads rollups, never single readings but those of a day that is not over.
func (s *server) report(v *visit, site *fleet.Site, span reportSpan) (*siteReport, error) {
	r := &siteReport{site: site, span: span, at: v.now}
	for i := range site.Rings {
		for _, u := range s.Live.look(site.Rings[i].Controllers) {
			w, err := s.unitReport(v.ctx, &u, span)
			if err != nil {
				return nil, fmt.Errorf("reading what is stored of %s: %w", u.c.ID, err)
			}
			r.units = append(r.units, w)
		}
	}
	next := 0
	for i := range site.Rings {
		ring := &site.Rings[i]
		w := ringReport{ring: ring}
		for range ring.Controllers {
			w.units = append(w.units, &r.units[next])
			next++
		}
		w.countFull(site.Zone)
		if err := s.linkReports(v.ctx, &w, span); err != nil {
			return nil, fmt.Errorf("reading what is stored of the cables of %s: %w", ring.ID, err)
		}
		r.rings = append(r.rings, w)
	}
	if err := s.reportCalls(v.ctx, r); err != nil {
		return nil, fmt.Errorf("reading the calls: %w", err)
	}
	if err := s.reportAlarms(v, r); err != nil {
		return nil, fmt.Errorf("reading the changes of alarms: %w", err)
	}
	if err := s.reportNotes(v.ctx, r); err != nil {
		return nil, fmt.Errorf("reading the notes: %w", err)
	}
	return r, nil
}

// stored returns what a controller last answered: as the pages have it, or where it has not answered since the daemon
// began, as it is stored.
func (s *server) stored(ctx context.Context, u *unit) error {
	if s.Journal == nil {
		return nil
	}
	frames, err := s.Journal.Latest(ctx, u.c.ID)
	for i := range frames {
		f := &frames[i]
		if g := &u.groups[min(int(f.Group), len(u.groups)-1)]; g.layout == nil {
			g.at, g.layout, g.values = f.At, f.Layout, f.Values
		}
	}
	return err
}

func (s *server) unitReport(ctx context.Context, u *unit, span reportSpan) (unitReport, error) {
	w := unitReport{c: u.c}
	if s.Journal == nil {
		return w, nil
	}
	if err := s.stored(ctx, u); err != nil {
		return w, err
	}
	err := s.eachRollup(ctx, u, fleet.OutputPower, span, func(b *store.Rollup) {
		w.powerIsRead = true
		if b.Covered > 0 {
			w.joules, w.covered = w.joules+b.Total, w.covered+b.Covered
			w.buckets = append(w.buckets, energyBucket{b.Start, b.Total})
		}
	})
	if err != nil {
		return w, err
	}
	err = s.eachRollup(ctx, u, fleet.EnergyLifetime, span, func(b *store.Rollup) { w.counter, w.counted = w.counter+b.Total, true })
	if err != nil {
		return w, err
	}
	err = s.eachRollup(ctx, u, fleet.QuantityStage, span, func(b *store.Rollup) {
		f := floatBucket{start: b.Start, end: b.End, covered: b.Covered}
		for i, held := range b.Stages {
			w.stages[i] += held
			w.staged += held
		}
		f.float = b.Stages[fleet.Float] > 0
		w.float = append(w.float, f)
	})
	w.settings = settingRows(u)
	w.settingsOf = u.groups[fleet.Slow].at
	return w, err
}

// eachRollup calls each for every rollup of a quantity in a span. What a controller does not have has none.
func (s *server) eachRollup(ctx context.Context, u *unit, q fleet.Quantity, span reportSpan, each func(*store.Rollup)) error {
	point := u.point(q)
	if point == "" {
		return nil
	}
	for b, err := range s.Journal.Rollups(ctx, u.c.ID, point, span.step, span.from, span.until) {
		if err != nil {
			return err
		}
		each(&b)
	}
	return nil
}

// countFull finds the days on which some controller was in float, which is when the bank was full, and the longest run
// of days without. A day counts as one without only if half of it is known.
func (w *ringReport) countFull(zone *time.Location) {
	type known struct {
		full    bool
		covered time.Duration // of the controller that is known best
	}
	days := map[time.Time]*known{}
	for _, u := range w.units {
		covered := map[time.Time]time.Duration{}
		for _, b := range u.float {
			day := midnight(b.start, zone)
			d := days[day]
			if d == nil {
				d = &known{}
				days[day] = d
			}
			d.full = d.full || b.float
			covered[day] += b.covered
			d.covered = max(d.covered, covered[day])
		}
	}
	var order []time.Time
	for day := range days {
		order = append(order, day)
	}
	slices.SortFunc(order, time.Time.Compare)
	without := 0
	for _, day := range order {
		switch d := days[day]; {
		case d.full:
			w.fullDays = append(w.fullDays, day)
			w.days++
			without = 0
		case d.covered >= time.Duration(fullDayCovered*24*float64(time.Hour)):
			w.days++
			without++
			w.unfull = max(w.unfull, without)
		}
	}
}

func (s *server) linkReports(ctx context.Context, w *ringReport, span reportSpan) error {
	looks := s.Live.look(w.ring.Controllers)
	for _, l := range w.ring.Links() {
		r := linkReport{link: l}
		to := &looks[l.To]
		if s.Journal == nil {
			w.links = append(w.links, r)
			continue
		}
		if err := s.stored(ctx, to); err != nil {
			return err
		}
		if err := s.eachRollup(ctx, to, fleet.LinkGood, span, func(b *store.Rollup) { r.good, r.counted = r.good+b.Total, true }); err != nil {
			return err
		}
		if err := s.eachRollup(ctx, to, fleet.LinkBad, span, func(b *store.Rollup) { r.bad, r.counted = r.bad+b.Total, true }); err != nil {
			return err
		}
		if !r.counted {
			sum := 0.0
			err := s.eachRollup(ctx, to, fleet.LinkOK, span, func(b *store.Rollup) {
				sum, r.sampled = sum+b.Mean*float64(b.Count), r.sampled+b.Count
			})
			if err != nil {
				return err
			}
			r.heard = sum / math.Max(1, float64(r.sampled))
		}
		w.links = append(w.links, r)
	}
	return nil
}

func (s *server) reportNotes(ctx context.Context, r *siteReport) error {
	if s.Journal == nil {
		return nil
	}
	at := fleet.Subject(r.site.ID)
	for n, err := range s.Journal.Notes(ctx, r.span.from, r.span.to) {
		if err != nil {
			return err
		}
		if n.Subject == "" || n.Subject.Inside(at) {
			r.notes = append(r.notes, n)
		}
	}
	r.more = max(0, len(r.notes)-reportNotes)
	r.notes = r.notes[r.more:]
	return nil
}
