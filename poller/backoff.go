package poller

import (
	"math/rand/v2"
	"time"
)

// A Backoff says how long to leave alone what does not answer: Min after the first failure that counts, twice as long
// after each further one, Max at the most. Each wait is drawn from the upper half of that, so that what failed
// together does not come back together.
type Backoff struct {
	Min time.Duration // 0: 1 s
	Max time.Duration // 0: 60 s
}

func (b Backoff) withDefaults() Backoff {
	if b.Min <= 0 {
		b.Min = time.Second
	}
	if b.Max <= 0 {
		b.Max = time.Minute
	}
	b.Max = max(b.Max, b.Min)
	return b
}

// wait returns the wait after n failures that count, n from 1.
func (b Backoff) wait(n int) time.Duration {
	d := b.Max
	if n < 32 && b.Min<<(n-1)>>(n-1) == b.Min {
		d = min(b.Max, b.Min<<(n-1))
	}
	return d/2 + rand.N(d/2+1)
}
