package dashboard_test

import (
	"context"
	"errors"
	"iter"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

// A daemon with too much to read back starts all the same, and says from when on its pages lack the day.
func TestRecallSaysWhereItWasCutShort(t *testing.T) {
	broken := errors.New("the disk is gone")
	for _, tt := range []struct {
		name  string
		pace  time.Duration // that a frame takes to be read
		fault error
		until time.Time
		err   error
	}{
		{name: "all was read"},
		{name: "a slow disk", pace: 1100 * time.Millisecond, until: noon.Add(-6 * time.Minute)},
		{name: "a broken disk", fault: broken, err: broken},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f, _ := demoFleet(t, nil)
				frames := func(ctx context.Context, _ time.Time) iter.Seq2[fleet.Frame, error] {
					return func(yield func(fleet.Frame, error) bool) {
						for at := noon.Add(-9 * time.Minute); at.Before(noon); at = at.Add(time.Minute) {
							time.Sleep(tt.pace) // the bubble's clock
							if err := errors.Join(context.Cause(ctx), tt.fault); err != nil {
								yield(fleet.Frame{}, err)
								return
							}
							if !yield(fleet.Frame{Controller: barnRoof, At: at, Outcome: fleet.Silent}, nil) {
								return
							}
						}
					}
				}
				until, err := dashboard.NewLive(f).Recall(t.Context(), noon, frames)
				if !until.Equal(tt.until) || !errors.Is(err, tt.err) {
					t.Errorf("Recall = %v, %v, want %v, %v", until, err, tt.until, tt.err)
				}
			})
		})
	}
}
