package dashboard

import (
	"cmp"
	"fmt"
	"net/url"
	"time"

	"ringwarden/store"
)

// monthForm is how a month is written in an address.
const monthForm = "2006-01"

// A reportSpan is the time that a report is of.
type reportSpan struct {
	from, to time.Time
	until    time.Time // up to when readings are in it: what has happened of it, to the last whole five minutes
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
		p.until = later(p.from, earlier(p.to, floorTo(now, reportFresh, zone)))
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
	p.until = later(p.from, earlier(p.to, floorTo(now, reportFresh, zone)))
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
