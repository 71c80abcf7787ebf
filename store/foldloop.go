package store

import (
	"context"
	"time"
)

const (
	// foldLag is how long frames stay in the journal at the least, so that those that come late go into the same chunks.
	foldLag = 30 * time.Minute
	// foldEvery is how often it is asked whether a window is over. A fold with nothing to do costs next to nothing.
	foldEvery = 5 * time.Minute
)

// RunFold folds each window once it is over, by the clock that now is, until ctx is done and the fold under way has
// stopped. What goes wrong is logged, once, and tried again.
func (s *Store) RunFold(ctx context.Context, now func() time.Time) {
	ticker := time.NewTicker(foldEvery)
	defer ticker.Stop()
	failing := false
	for {
		over := windowOf(now().Add(-foldLag).UnixNano())
		err := s.Fold(ctx, time.Unix(0, over))
		if err != nil && ctx.Err() == nil && !failing {
			s.log.Error("readings could not be folded: they stay in the journal, and it is tried again", "error", err)
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
