package store

import (
	"sort"
	"time"
)

// A day is a site's own day as instants in nanoseconds since 1970: 23 or 25 hours long where the clocks change.
type day struct{ start, end int64 }

// dayOf returns the local day that holds t.
func dayOf(t time.Time, zone *time.Location) day {
	y, m, d := t.In(zone).Date()
	return day{start: dayStart(y, m, d, zone), end: dayStart(y, m, d+1, zone)}
}

// next returns the day after.
func (d day) next(zone *time.Location) day { return dayOf(time.Unix(0, d.end), zone) }

// dayStart returns the first instant whose local date is y-m-d or later. It searches, since in some zones midnight is
// skipped or comes twice on the days when clocks change, and time.Date promises nothing for those.
func dayStart(y int, m time.Month, d int, zone *time.Location) int64 {
	noon := time.Date(y, m, d, 12, 0, 0, 0, zone)
	want := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	const back = 26 * 3600
	first := sort.Search(back, func(s int) bool {
		ly, lm, ld := noon.Add(time.Duration(s-back) * time.Second).Date()
		return !time.Date(ly, lm, ld, 0, 0, 0, 0, time.UTC).Before(want)
	})
	return noon.Add(time.Duration(first-back) * time.Second).UnixNano()
}

// length returns how long a resolution's buckets are; a day's last one may be shorter.
func (r Resolution) length(d day) int64 {
	switch r {
	case FiveMinutes:
		return int64(5 * time.Minute)
	case Hour:
		return int64(time.Hour)
	}
	return d.end - d.start
}

// buckets returns the empty buckets of a day.
func (d day) buckets(r Resolution) []Rollup {
	length := r.length(d)
	buckets := make([]Rollup, (d.end-d.start+length-1)/length)
	for i := range buckets {
		start := d.start + int64(i)*length
		buckets[i].Start = time.Unix(0, start).UTC()
		buckets[i].End = time.Unix(0, min(start+length, d.end)).UTC()
	}
	return buckets
}
