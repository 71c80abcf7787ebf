// Package metrics exposes the fleet to Prometheus: every newest reading in base units, stages and alarms as state
// sets, how polling goes, how the store is, and the process itself.
//
// [Metrics.Put] takes frames from the road, [Metrics.PutChanges] the steps of alarms; [Metrics.Handler] answers a
// scrape in the classic text format or in OpenMetrics 1.0, whichever the scraper prefers. METRICS.md beside this file
// lists every name.
//
// # Freshness
//
// A reading is exposed for three periods of its poll group, counted from the instant its poll was due; design.md
// bridges gaps of the same length. So one lost poll makes no hole in a graph, and a controller that is gone leaves
// nothing behind: series end, and are neither NaN nor frozen. An answered frame replaces the one before it whole: a
// value that it has not (unread, absent in the device, implausible, not decodable) ends at once.
// ringwarden_controller_up tells the outcome of the newest poll without that patience.
//
// # Cardinality
//
// Series are bounded by the fleet file and its maps: about 40 for a controller with 20 points. Histograms are kept
// per site (how long answers take is a trait of the way to the site) and per poll group (lateness is a trait of this
// program): with 13 series each, one per controller would make 26,000 of 2,000 controllers and say no more than
// the controller's own counters do. Text that a device sends becomes a label value of an info metric.
package metrics

import (
	"log/slog"
	"net/http"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ringwarden/fleet"
)

// Options are what metrics need from the outside. The zero value works.
type Options struct {
	// Now says what is fresh. Nil: time.Now. A replay hands in its own clock.
	Now func() time.Time
	// Store says how the store is; it is called at each scrape and must not block. Nil: no metrics of the store.
	Store func() StoreHealth
	// Notify says how telling people of alarms goes; it is called at each scrape and must not block. Nil: no metrics of it.
	Notify func() []NotifyHealth
	// Judgement says how well the alarms serve people; it is called at each scrape and must not block. Nil, or a nil answer:
	// no metrics of it.
	Judgement func() *Judgement
	// Kinds of alarm whose counters start at 0, so that the first alarm of a kind is an increase.
	Kinds []fleet.KindInfo
	// Version and Revision are those of the program. Empty: what the build recorded.
	Version, Revision string
	Logger            *slog.Logger // scrapes that went wrong; nil: silent
}

// Metrics keeps the newest readings and counts what passes. Its methods may be called from several goroutines.
// It is a [prometheus.Collector] of everything but the process and the build.
type Metrics struct {
	now      func() time.Time
	store    func() StoreHealth
	notify   func() []NotifyHealth
	judged   func() *Judgement
	fleet    atomic.Pointer[index]
	updating sync.Mutex // one Update at a time
	alarms   *alarms
	ignored  [ignoredCount]atomic.Uint64
	took     *prometheus.HistogramVec // by site
	late     [3]prometheus.Histogram  // by fleet.Group
	handler  http.Handler
}

// New returns the metrics of a fleet.
func New(f *fleet.Fleet, o Options) *Metrics {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	m := &Metrics{now: o.Now, store: o.Store, notify: o.Notify, judged: o.Judgement, alarms: newAlarms(o.Kinds)}
	m.took, m.late = newHistograms()
	m.fleet.Store(&index{})
	m.Update(f)

	registry := prometheus.NewRegistry()
	registry.MustRegister(m, buildInfo(o), collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.handler = promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		ErrorLog:            errorLog{o.Logger},
		ErrorHandling:       promhttp.ContinueOnError, // one bad series must not hide a fleet
		Registry:            registry,
		MaxRequestsInFlight: 4, // each holds the whole page in memory; one more is told to come again (503)
		EnableOpenMetrics:   true,
	})
	return m
}

// Handler answers scrapes.
func (m *Metrics) Handler() http.Handler { return m.handler }

// Put takes the newest frame of a controller's poll group. It keeps a copy of the values, never f itself. A frame of
// a controller that the fleet does not have, and one older than what is there, are counted and otherwise ignored.
func (m *Metrics) Put(f *fleet.Frame) {
	ix := m.fleet.Load()
	c := ix.controllers[f.Controller]
	if c == nil || int(f.Group) >= len(fleet.Groups) || int(f.Outcome) >= len(fleet.Outcomes) {
		m.ignored[ignoredUnknown].Add(1)
		return
	}
	if !c.put(f, m.now()) {
		m.ignored[ignoredLate].Add(1)
		return
	}
	switch f.Outcome {
	case fleet.Answered:
		c.site.took.Observe(f.Took.Seconds())
		c.site.count(f.Values)
		m.late[f.Group].Observe(f.Late.Seconds())
	case fleet.Silent, fleet.Refused, fleet.Garbled:
		m.late[f.Group].Observe(f.Late.Seconds())
	}
}

const buildHelp = "The program that runs; always 1."

// buildInfo returns the constant metric that names the program's version.
func buildInfo(o Options) prometheus.Collector {
	version, revision := o.Version, o.Revision
	if info, ok := debug.ReadBuildInfo(); ok {
		if version == "" {
			version = info.Main.Version
		}
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && revision == "" {
				revision = s.Value
			}
		}
	}
	g := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: namespace + "build_info", Help: buildHelp,
		ConstLabels: prometheus.Labels{"version": clean(version), "revision": clean(revision)},
	})
	g.Set(1)
	return g
}

// errorLog passes what promhttp reports on to the program's log.
type errorLog struct{ *slog.Logger }

// Println logs one report.
func (l errorLog) Println(v ...any) { l.Warn("answering a scrape", "err", v) }
