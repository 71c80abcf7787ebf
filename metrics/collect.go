package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ringwarden/fleet"
)

// StoreHealth is how the store is, since the program started.
type StoreHealth struct {
	Commits    uint64
	CommitTime time.Duration // all commits together
	LastCommit time.Time     // when the last one ended; zero: there was none
	Buffered   int           // frames that wait for the next commit
	Dropped    uint64        // frames lost because the store could not take them
	FileBytes  int64         // size of its file
}

// Why a frame was not taken.
const (
	ignoredUnknown = iota
	ignoredLate
	ignoredCount
)

var ignoredLabels = [ignoredCount]labels{
	ignoredUnknown: newLabels(ignored, "unknown"), ignoredLate: newLabels(ignored, "late"),
}

const (
	tookHelp = "How long answered polls took, from the first request to the end of the last answer."
	lateHelp = "How late the first request of a poll went out, from the instant it was due."
)

// newHistograms returns those of how long polls take, by site, and of how late they start, by poll group.
func newHistograms() (*prometheus.HistogramVec, [groupCount]prometheus.Histogram) {
	took := prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: namespace + "poll_duration_seconds",
		Help: tookHelp,
		// From a controller on the same wire, a few milliseconds, over a serial gateway with pauses, tens to
		// hundreds, to a cellular site just within its time-out.
		Buckets: []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5},
	}, []string{"site"})
	late := prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: namespace + "poll_lateness_seconds",
		Help: lateHelp,
		// 0.25 s is what a fleet's polls are held against; below, the scheduler's own noise; above, overruns.
		Buckets: []float64{0.001, 0.005, 0.025, 0.1, 0.25, 0.5, 1, 2.5, 5, 10},
	}, []string{"group"})
	var byGroup [groupCount]prometheus.Histogram
	for _, g := range fleet.Groups {
		byGroup[g] = late.WithLabelValues(g.String()).(prometheus.Histogram)
	}
	return took, byGroup
}

// Describe sends every family.
func (m *Metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, f := range families {
		ch <- f.desc
	}
	m.took.Describe(ch)
	m.late[fleet.Normal].Describe(ch)
}

// Collect sends what is known and fresh now.
func (m *Metrics) Collect(ch chan<- prometheus.Metric) {
	ix, now := m.fleet.Load(), m.now()
	send := func(samples []sample) {
		for i := range samples {
			ch <- &samples[i]
		}
	}
	send(ix.about)
	for _, c := range ix.order {
		send(c.samples(now, ix.periods))
	}
	for _, s := range ix.sites {
		send(s.samples())
	}
	send(m.alarms.samples(ix.subjects, now))
	for reason := range m.ignored {
		send([]sample{{ignored, ignoredLabels[reason], float64(m.ignored[reason].Load())}})
	}
	if m.store != nil {
		send(m.store().samples())
	}
	if m.notify != nil {
		for _, h := range m.notify() {
			send(h.samples())
		}
	}
	if m.judged != nil {
		if j := m.judged(); j != nil {
			send(j.samples())
		}
	}
	m.took.Collect(ch)
	for _, h := range m.late {
		h.Collect(ch)
	}
}

func (s *site) samples() []sample {
	out := make([]sample, len(s.quality))
	for q := range out {
		out[q] = sample{values, s.labels[q], float64(s.quality[q].Load())}
	}
	return out
}

func (h StoreHealth) samples() []sample {
	out := []sample{
		{storeCommits, nil, float64(h.Commits)},
		{storeSeconds, nil, h.CommitTime.Seconds()},
		{storeWaiting, nil, float64(h.Buffered)},
		{storeDropped, nil, float64(h.Dropped)},
		{storeBytes, nil, float64(h.FileBytes)},
	}
	if !h.LastCommit.IsZero() {
		out = append(out, sample{storeLast, nil, float64(h.LastCommit.UnixMilli()) / 1000})
	}
	return out
}
