package dashboard

import (
	"context"
	"fmt"
	"slices"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// Limits of a report: what it may be of, and up to which length it is made of rollups of five minutes and of hours; a
// longer one, and whole months, are of days. Whatever the length, a few hundred rollups of each point are read.
const (
	longestReport  = 2 * 366 * 24 * time.Hour
	reportFresh    = 5 * time.Minute // the shortest rollup: readings are no newer, and those of a report are read once in it
	reportsKept    = 32              // reports whose readings are kept for the next reader; then all are forgotten
	fineReport     = 2 * 24 * time.Hour
	hourlyReport   = 14 * 24 * time.Hour
	reportNotes    = 200 // the newest ones
	reportCalls    = 500 // the newest ones
	reportLongest  = 10  // alarms that stood longest
	stageCount     = 8   // fleet.Stage and unknown
	fullDayCovered = 0.5 // share of a day that must be covered before it is said that the bank was not full on it
)

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
	read, err := s.reportReadings(v.ctx, site, span)
	if err != nil {
		return nil, err
	}
	r := &siteReport{site: site, span: span, at: v.now, units: read.units, rings: slices.Clone(read.rings)}
	for i := range r.rings { // what follows adds to them
		r.rings[i].links = slices.Clone(r.rings[i].links)
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
