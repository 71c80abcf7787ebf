package main

import (
	"testing"
	"time"
)

// A clock that is drawn to the right time is no step; one that jumps is, either way, and once.
func TestClockWatch(t *testing.T) {
	boot := time.Unix(100, 0)
	var c clockWatch
	for i, l := range []struct {
		wall    time.Time
		steady  time.Duration
		stepped bool
	}{
		{boot, 0, false},
		{boot.Add(1500 * time.Millisecond), time.Second, false},
		{boot.AddDate(56, 0, 0), 2 * time.Second, true},
		{boot.AddDate(56, 0, 0).Add(time.Second), 3 * time.Second, false},
		{boot.AddDate(56, 0, 0).Add(-time.Hour), 4 * time.Second, true},
	} {
		before, stepped := c.look(l.wall, l.steady)
		if stepped != l.stepped {
			t.Errorf("look %d: before %v, stepped %v", i, before, stepped)
		}
		if i == 2 && !before.Equal(boot.Add(2500*time.Millisecond)) {
			t.Errorf("look %d: before %v", i, before)
		}
	}
}
