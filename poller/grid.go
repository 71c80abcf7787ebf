package poller

import "time"

// gridAfter returns the first instant after t on the grid k*period + phase, counted from the Unix epoch in UTC, so
// that every process and every controller of a ring agrees on it.
func gridAfter(t time.Time, period, phase time.Duration) time.Time {
	since := t.UnixNano() - int64(phase)
	k := since / int64(period)
	if since < 0 && since%int64(period) != 0 {
		k--
	}
	return time.Unix(0, (k+1)*int64(period)+int64(phase)).UTC()
}

// spread returns the phase of the i-th ring within a period: the golden ratio's multiples, whose fractions lie about
// evenly however many there are, so that a ring added at the end moves no other one.
func spread(i int, period time.Duration) time.Duration {
	const golden = 0.6180339887498949
	turns := float64(i) * golden
	phase := time.Duration((turns - float64(int64(turns))) * float64(period))
	return phase.Truncate(time.Millisecond)
}
