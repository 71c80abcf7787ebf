package road_test

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/metrics"
	"ringwarden/registermap"
	"ringwarden/simulator"
	"ringwarden/store"
)

// A ring in which nothing is wrong must not wake anybody: dawns, clouds, dusks, odd bad frames and all. The simulator's
// frames take the same road as the poller's, to a real store, real metrics and the real engine.
//
// RINGWARDEN_LONG=1 runs a whole week; otherwise the small rings run a day.
func TestLongHealthyWeek(t *testing.T) {
	days, sizes := 1, []int{3, 8}
	if os.Getenv("RINGWARDEN_LONG") != "" {
		days, sizes = 7, []int{3, 8, 40, 200}
	}
	for _, n := range sizes {
		t.Run(fmt.Sprintf("controllers=%d", n), func(t *testing.T) {
			period := 10 * time.Second
			if n > 10 {
				period = time.Minute
			}
			raised, frames := watchWeek(t, n, days, period)
			if len(raised) > 0 {
				t.Errorf("%d alarms in a healthy ring:\n%s", len(raised), strings.Join(raised, "\n"))
			}
			want := days * int(24*time.Hour/period) * n
			if frames < want {
				t.Errorf("%d frames are in the store, want at least %d", frames, want)
			}
		})
	}
}

// raisedAlarms keeps what was raised.
type raisedAlarms struct {
	mu    sync.Mutex
	lines []string
}

func (*raisedAlarms) Put(*fleet.Frame) {}

func (r *raisedAlarms) PutChanges(changes []fleet.Change) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range changes {
		if c := &changes[i]; c.Alarm.State.Active() && len(r.lines) < 20 {
			r.lines = append(r.lines, fmt.Sprintf("%s %s on %s: %s", c.At.Format(time.DateTime), c.Alarm.Kind, c.Alarm.Subject, c.Alarm.Text))
		}
	}
}

func watchWeek(t *testing.T, n, days int, period time.Duration) (raised []string, frames int) {
	t.Helper()
	f, maps := mixedRing(t, n)
	f.Periods = fleet.Periods{Fast: period, Normal: period, Slow: 10 * period}
	sim, err := simulator.New(f, maps, simulator.Options{Seed: uint64(n)})
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	journal, err := store.Open(filepath.Join(t.TempDir(), "week.db"), store.Options{Logger: log})
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	alarms := &raisedAlarms{}
	m := metrics.New(f, metrics.Options{Now: sim.Now})
	r := road.New(journal, alerts.New(f), 10*time.Minute, log, m, alarms)

	ctx := t.Context()
	var frame fleet.Frame
	start := sim.Start().Truncate(period).Add(period)
	for at := start; at.Before(start.AddDate(0, 0, days)); at = at.Add(period) {
		sim.Advance(at)
		for _, g := range fleet.Groups {
			if at.UnixNano()%int64(f.Periods.Of(g)) != 0 {
				continue
			}
			f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
				if sim.Frame(c.ID, g, &frame) {
					r.Put(&frame)
				}
				return true
			})
		}
		r.Tick(ctx, at.Add(period/2))
	}
	r.Close(ctx, sim.Now())
	if waiting, dropped := r.Backlog(); waiting != 0 || dropped != 0 {
		t.Errorf("%d frames wait and %d were dropped after Close", waiting, dropped)
	}
	stat, err := journal.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return alarms.lines, int(stat.Frames)
}

// mixedRing is a ring of all three example maps, with a wind and a hydro turbine among the panels.
func mixedRing(t *testing.T, n int) (*fleet.Fleet, map[string]*registermap.Map) {
	t.Helper()
	maps := map[string]*registermap.Map{}
	var names []string
	for _, name := range []string{"larkspur", "teasel", "sedge"} {
		m, err := registermap.Load(filepath.Join("..", "..", "..", "testdata", "maps", name+".yaml"))
		if err != nil {
			t.Fatal(err)
		}
		maps[m.File] = m
		names = append(names, m.File)
	}
	f, err := simulator.Bench(maps[names[0]], n, 20000)
	if err != nil {
		t.Fatal(err)
	}
	ring := &f.Sites[0].Rings[0]
	for i := range ring.Controllers {
		c := &ring.Controllers[i]
		c.Map = names[i%3]
		if i%5 == 3 {
			c.Source = []fleet.Source{fleet.Wind, fleet.Hydro}[i/5%2]
			c.Intended.OnSharedFault = fleet.Stay
		}
	}
	return f, maps
}
