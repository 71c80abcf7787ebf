package store

import (
	"context"
	"math"
	"time"
)

const (
	// foldLag is how long frames stay in the journal at the least, so that those that come late go into the same chunks.
	foldLag = 30 * time.Minute
	// foldEvery is how often it is asked whether a window is over. A fold with nothing to do costs next to nothing.
	foldEvery = 5 * time.Minute
	// releaseEvery is how often what was read of the file is let go of.
	releaseEvery = 30 * time.Second
	// journalLimit is how many bytes that could be folded the journal may hold before the window is over: what one
	// controller has in it is found by looking through what all have. A site of five never gets there; where 1,200
	// controllers are read every ten seconds it is a quarter of an hour.
	journalLimit = 8 << 20
)

// RunFold folds each window once it is over, by the clock that now is, until ctx is done and the fold under way has
// stopped, and puts damaged records into quarantine as soon as a reader meets them. What goes wrong is logged, once, and
// tried again. Now and then it lets go of the memory that the file's pages take which somebody has read.
func (s *Store) RunFold(ctx context.Context, now func() time.Time) {
	ticker := time.NewTicker(foldEvery)
	defer ticker.Stop()
	releases := time.NewTicker(releaseEvery)
	defer releases.Stop()
	failing := false
	s.release() // of what the start read: the first fold may take a while
	for {
		err := s.FoldDue(ctx, now())
		if err != nil && ctx.Err() == nil && !failing {
			s.log.Error("readings could not be folded: they stay in the journal, and it is tried again", "error", err)
		}
		failing = err != nil
		if !s.awaitFold(ctx, ticker.C, releases.C) {
			return
		}
		if n, err := s.Quarantine(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("damaged records could not be put into quarantine; they are skipped where they are", "error", err)
		} else if n > 0 {
			s.log.Warn("damaged records were put into quarantine; everything else can be read", "file", s.path, "records", n)
		}
	}
}

// awaitFold waits until it is time to fold, or a damaged record was met, and reports whether to go on.
func (s *Store) awaitFold(ctx context.Context, fold, releases <-chan time.Time) bool {
	for {
		s.release()
		select {
		case <-ctx.Done():
			return false
		case <-fold:
			return true
		case <-s.damage.found:
			return true
		case <-releases:
		}
	}
}

// FoldDue folds what [Store.RunFold] folds at an instant: the windows that are over, and of a large fleet also what lies
// in the journal of the one under way. Once that is over, its short chunks are made long ones.
func (s *Store) FoldDue(ctx context.Context, now time.Time) error {
	const doing = "folding"
	until := now.Add(-foldLag)
	over := time.Unix(0, windowOf(until.UnixNano()))
	err := s.Fold(ctx, over)
	if err != nil {
		return err
	}
	if err := s.joinUntil(ctx, over.UnixNano()); err != nil {
		return explain(doing, s.path, err)
	}
	large, err := s.waits(until, journalLimit)
	if err != nil || !large {
		return explain(doing, s.path, err)
	}
	return s.Fold(ctx, until)
}

// joinUntil joins the chunks of the window that was over last, and after a restart of the one before it, too.
func (s *Store) joinUntil(ctx context.Context, over int64) error {
	select {
	case s.folding <- struct{}{}:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	defer func() { <-s.folding }()
	if over == s.joined || over < math.MinInt64+2*window {
		return nil
	}
	if s.joined == 0 {
		if err := s.joinWindow(ctx, over-2*window); err != nil {
			return err
		}
	}
	if err := s.joinWindow(ctx, over-window); err != nil {
		return err
	}
	s.joined = over
	return nil
}
