package poller

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

func TestGridAfter(t *testing.T) {
	at := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, c := range []struct {
		after         string
		period, phase time.Duration
		want          string
	}{
		{"2031-04-05T06:07:08Z", 10 * time.Second, 0, "2031-04-05T06:07:10Z"},
		{"2031-04-05T06:07:10Z", 10 * time.Second, 0, "2031-04-05T06:07:20Z"}, // after, not at
		{"2031-04-05T06:07:09.999999999Z", 10 * time.Second, 0, "2031-04-05T06:07:10Z"},
		{"2031-04-05T06:07:08Z", 10 * time.Second, 3 * time.Second, "2031-04-05T06:07:13Z"},
		{"2031-04-05T08:07:08+02:00", 15 * time.Minute, time.Minute, "2031-04-05T06:16:00Z"},
		{"1970-01-01T00:00:00Z", 10 * time.Second, 4 * time.Second, "1970-01-01T00:00:04Z"},
		{"1969-12-31T23:59:55Z", 10 * time.Second, 4 * time.Second, "1970-01-01T00:00:04Z"},
		{"1969-12-31T23:59:54Z", 10 * time.Second, 4 * time.Second, "1970-01-01T00:00:04Z"},
		{"1969-12-31T23:59:53Z", 10 * time.Second, 4 * time.Second, "1969-12-31T23:59:54Z"},
	} {
		got := gridAfter(at(c.after), c.period, c.phase)
		if !got.Equal(at(c.want)) || got.Location() != time.UTC {
			t.Errorf("gridAfter(%s, %v, %v) = %v, want %s", c.after, c.period, c.phase, got, c.want)
		}
	}
}

// The rings of a fleet must not all be asked at one instant, however many there are.
func TestSpread(t *testing.T) {
	const period = 10 * time.Second
	for _, n := range []int{1, 2, 3, 8, 50, 500} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			phases := make([]time.Duration, n)
			for i := range phases {
				phases[i] = spread(i, period)
				if phases[i] < 0 || phases[i] >= period {
					t.Fatalf("spread(%d) = %v, outside the period", i, phases[i])
				}
			}
			slices.Sort(phases)
			widest := period - phases[n-1] + phases[0]
			for i := range n - 1 {
				widest = max(widest, phases[i+1]-phases[i])
			}
			// The three-distance theorem: the widest gap is at most about 1.9 of the mean one (from memory).
			if mean := period / time.Duration(n); widest > 2*mean+2*time.Millisecond {
				t.Errorf("widest gap %v, mean %v", widest, mean)
			}
		})
	}
}

func TestBackoffWait(t *testing.T) {
	b := Backoff{Min: time.Second, Max: 20 * time.Second}
	for i, full := range []time.Duration{1, 2, 4, 8, 16, 20, 20} {
		seen := make(map[time.Duration]bool)
		for range 200 {
			d := b.wait(i + 1)
			if d < full*time.Second/2 || d > full*time.Second {
				t.Fatalf("wait(%d) = %v, want within %v and %v", i+1, d, full*time.Second/2, full*time.Second)
			}
			seen[d] = true
		}
		if len(seen) < 100 {
			t.Errorf("wait(%d) takes %d values in 200: no jitter", i+1, len(seen))
		}
	}
	for _, n := range []int{31, 32, 63, 64, 1 << 30} {
		if d := b.wait(n); d < b.Max/2 || d > b.Max {
			t.Errorf("wait(%d) = %v, beyond the cap", n, d)
		}
	}
}
