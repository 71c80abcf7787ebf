package main

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/metrics"
	"ringwarden/store"
)

// measureEvery is how often the figures of the alarms are worked out for the metrics: they are of a month.
const measureEvery = 5 * time.Minute

// A measurer keeps the figures of the alarms, so that a scrape need not wait for the store.
type measurer struct {
	journal *store.Store
	road    *road.Road
	engine  *alerts.Engine
	now     func() time.Time
	log     *slog.Logger
	figures atomic.Pointer[alerts.Performance]
}

// run works the figures out, now and then, until ctx is done.
func (m *measurer) run(ctx context.Context) {
	ticker := time.NewTicker(measureEvery)
	defer ticker.Stop()
	for {
		to := m.now()
		p, err := alerts.Measure(to.Add(-figuresPast), to, m.road.Alarms(), m.journal.Changes(ctx, to.Add(-figuresPast), to))
		switch {
		case err == nil:
			m.figures.Store(&p)
		case ctx.Err() == nil:
			m.log.Warn("working out the figures of the alarms; it is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// judgement returns what the metrics show; nil: it is not known yet.
func (m *measurer) judgement() *metrics.Judgement {
	p := m.figures.Load()
	if p == nil {
		return nil
	}
	j := &metrics.Judgement{Figures: *p}
	m.road.Judging(func() { j.Disbelieve, j.Looks = m.engine.Counts(), m.engine.Looked() })
	return j
}
