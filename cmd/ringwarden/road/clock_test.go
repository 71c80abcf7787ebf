package road_test

import (
	"testing"
	"time"
)

// What waits for the disk when the clock is set belongs to the time that it was read at.
func TestWaitingFramesMoveWithTheClock(t *testing.T) {
	var d disk
	r, _ := newRoad(&d, time.Minute)
	boot := time.Unix(100, 0).UTC()
	r.Put(frame(boot.Add(10 * time.Second)))
	r.Put(frame(noon)) // already by the new clock
	r.StepClock(boot.Add(11*time.Second), noon)
	r.Close(t.Context(), noon)
	if len(d.frames) != 2 || !d.frames[0].At.Equal(noon.Add(-time.Second)) || !d.frames[0].Restamped {
		t.Errorf("stored %+v, want the first one a second before noon, marked", d.frames)
	}
	if !d.frames[1].At.Equal(noon) || d.frames[1].Restamped {
		t.Errorf("stored %+v, want it at noon, unmarked", d.frames[1])
	}
}
