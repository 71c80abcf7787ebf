package dashboard

import (
	"math"
	"time"

	"ringwarden/fleet"
)

// bucketTime is the step of the day's curves.
const bucketTime = 5 * time.Minute

// maxSpans bounds the stages of a day; a controller that changes more often shows its first ones.
const maxSpans = 256

// A day is a controller's day so far, by its site's own clock.
type day struct {
	start, end time.Time
	buckets    []bucket
	spans      []stageSpan
	joules     float64 // delivered, by trapezoids over gaps of three periods at most
	covered    time.Duration
	lastPower  float64
	lastAt     time.Time // of lastPower; zero: none yet
	lastStage  time.Time // the newest good stage
}

// A bucket is the mean of what came in five minutes.
type bucket struct {
	power, volts mean
}

// A mean is for a picture, and there are hundreds for each controller: seven digits do, in eight bytes.
type mean struct {
	of float32
	n  uint16
}

func (m *mean) add(v float64) {
	if m.n < math.MaxUint16 {
		m.n++
	}
	m.of += (float32(v) - m.of) / float32(m.n)
}

func (m *mean) value() (float64, bool) { return float64(m.of), m.n > 0 }

// A stageSpan is a time in one stage.
type stageSpan struct {
	from, to time.Time
	stage    fleet.Stage
}

// midnight returns the first instant of the day that holds t.
func midnight(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	at := time.Date(y, m, d, 0, 0, 0, 0, zone)
	// Where the clocks skip midnight, time.Date may give the day before.
	for range 4 {
		if at.Day() == d {
			break
		}
		at = at.Add(30 * time.Minute)
	}
	return at
}

func (d *day) put(f *fleet.Frame, zone *time.Location, p fleet.Periods) {
	if !f.At.Before(d.end) {
		d.begin(f.At, zone)
	}
	if f.At.Before(d.start) {
		return
	}
	b := &d.buckets[min(int(f.At.Sub(d.start)/bucketTime), len(d.buckets)-1)]
	gap := stalePeriods * p.Of(f.Group)
	if v, ok := f.Number(fleet.OutputPower); ok {
		b.power.add(v)
		if step := f.At.Sub(d.lastAt); !d.lastAt.IsZero() && step > 0 && step <= gap {
			d.joules += (d.lastPower + v) / 2 * step.Seconds()
			d.covered += step
		}
		d.lastPower, d.lastAt = v, f.At
	}
	if v, ok := f.Number(fleet.BatteryVoltage); ok {
		b.volts.add(v)
	}
	if s, ok := f.Stage(); ok {
		d.putStage(f.At, s, gap)
	}
}

func (d *day) begin(at time.Time, zone *time.Location) {
	d.start = midnight(at, zone)
	d.end = midnight(d.start.Add(36*time.Hour), zone)
	n := int((d.end.Sub(d.start) + bucketTime - 1) / bucketTime)
	*d = day{start: d.start, end: d.end, buckets: make([]bucket, max(n, 1))}
}

func (d *day) putStage(at time.Time, s fleet.Stage, gap time.Duration) {
	n := len(d.spans)
	unbroken := n > 0 && at.Sub(d.lastStage) <= gap
	if unbroken {
		d.spans[n-1].to = at
	}
	if (!unbroken || d.spans[n-1].stage != s) && n < maxSpans {
		d.spans = append(d.spans, stageSpan{at, at, s})
	}
	d.lastStage = at
}
