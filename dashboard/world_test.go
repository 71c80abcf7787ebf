package dashboard_test

import (
	"context"
	"iter"
	"net"
	"sync"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/simulator"
	"ringwarden/store"
	"ringwarden/store/storetest"
	"ringwarden/testdata"
)

// worldPeriod is the fast poll period of a world, in its own time.
const worldPeriod = 10 * time.Second

// A world is a simulated plant with everything behind the pages: the engine, a real store and the live model.
type world struct {
	t       testing.TB
	fleet   *fleet.Fleet
	sim     *simulator.Plant
	journal *store.Store
	live    *dashboard.Live
	calls   *dashboard.CallBook

	mu     sync.Mutex // guards all below
	engine *alerts.Engine
	now    time.Time
	frames []fleet.Frame // not yet in the journal
}

// demoFleet is the demo's fleet with its maps; change may alter it.
func demoFleet(t testing.TB, change func(*fleet.Fleet)) (*fleet.Fleet, map[string]*registermap.Map) {
	t.Helper()
	data, err := testdata.Files.ReadFile("demo/fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse("demo/fleet.yaml", data, alerts.Kinds())
	if err != nil {
		t.Fatal(err)
	}
	f.Periods = fleet.Periods{Fast: worldPeriod, Normal: worldPeriod, Slow: 6 * worldPeriod}
	if change != nil {
		change(f)
	}
	maps := map[string]*registermap.Map{}
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		body, err := testdata.Files.ReadFile(c.Map)
		if err != nil {
			t.Fatal(err)
		}
		if maps[c.Map], err = registermap.Parse(c.Map, body); err != nil {
			t.Fatal(err)
		}
		return true
	})
	return f, maps
}

func newWorld(t testing.TB, change func(*fleet.Fleet)) *world {
	t.Helper()
	f, maps := demoFleet(t, change)
	sim, err := simulator.New(f, maps, simulator.Options{Seed: 7, Weather: simulator.Clear})
	if err != nil {
		t.Fatal(err)
	}
	w := &world{
		t: t, fleet: f, sim: sim, journal: storetest.Open(t), live: dashboard.NewLive(f),
		engine: alerts.New(f), now: sim.Start().Truncate(worldPeriod),
	}
	w.calls = dashboard.NewCallBook(f, w.journal, nil)
	return w
}

// run lets time pass, poll by poll.
func (w *world) run(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for end := w.now.Add(d); w.now.Before(end); {
		w.step()
	}
	w.flush()
}

// step polls everything that is due once. The caller holds mu.
func (w *world) step() {
	w.now = w.now.Add(worldPeriod)
	w.sim.Advance(w.now)
	var frame fleet.Frame
	for _, g := range fleet.Groups {
		if w.now.UnixNano()%int64(w.fleet.Periods.Of(g)) != 0 {
			continue
		}
		w.fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
			if w.sim.Frame(c.ID, g, &frame) {
				w.live.Put(&frame)
				w.calls.Put(&frame)
				w.engine.Put(&frame)
				w.frames = append(w.frames, *frame.Clone())
			}
			return true
		})
	}
	w.announce(w.engine.Advance(w.now))
}

// announce stores and shows changes. The caller holds mu.
func (w *world) announce(changes []fleet.Change) {
	if len(changes) == 0 {
		return
	}
	if err := w.journal.PutChanges(context.Background(), changes); err != nil {
		w.t.Error(err)
	}
	w.live.PutChanges(changes)
}

// flush stores the frames that wait. The caller holds mu.
func (w *world) flush() {
	if err := w.journal.Append(context.Background(), w.frames); err != nil {
		w.t.Error(err)
	}
	w.frames = w.frames[:0]
	if err := w.calls.Keep(context.Background(), w.now); err != nil {
		w.t.Error(err)
	}
}

func (w *world) clock() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

// Standing and Changes make a world a source of alarms.
func (w *world) Standing(context.Context) ([]fleet.Alarm, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.engine.Alarms(), nil
}

func (w *world) Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error] {
	return w.journal.Changes(ctx, from, to)
}

// act does with the engine what a person asks, as the daemon does.
func (w *world) act(ctx context.Context, a dashboard.Action) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	var c fleet.Change
	var err error
	switch a.Verb {
	case dashboard.Comment:
		return w.journal.PutNote(ctx, a.Note(w.now))
	case dashboard.Acknowledge:
		c, err = w.engine.Acknowledge(a.Key, a.Who, a.Why, w.now)
	case dashboard.Shelve:
		c, err = w.engine.Shelve(a.Key, alerts.Shelving{Until: w.now.Add(a.For), OneShot: a.OneShot, Who: a.Who, Why: a.Why}, w.now)
	case dashboard.Unshelve:
		c, err = w.engine.Unshelve(a.Key, a.Who, a.Why, w.now)
	case dashboard.TakeOut, dashboard.Return:
		var all []fleet.Change
		if a.Verb == dashboard.TakeOut {
			all, err = w.engine.TakeOutOfService(alerts.Order{At: a.Key.Subject, Kinds: a.Kinds, Until: w.now.Add(a.For), Who: a.Who, Why: a.Why}, w.now)
		} else {
			all, err = w.engine.ReturnToService(a.Key.Subject, a.Who, a.Why, w.now)
		}
		if err == nil {
			w.announce(all)
		}
		return err
	}
	if err == nil {
		w.announce([]fleet.Change{c})
	}
	return err
}

// Pulled and Pull make a world's cables ones that people may pull.
func (w *world) Pulled() map[fleet.LinkID]bool {
	out := map[fleet.LinkID]bool{}
	for _, f := range w.sim.Faults() {
		out[fleet.LinkID(f.On)] = f.Kind == simulator.CutLink
	}
	return out
}

func (w *world) Pull(link fleet.LinkID) error {
	if w.sim.Clear(simulator.CutLink, fleet.Subject(link)) {
		return nil
	}
	return w.sim.Inject(simulator.Fault{Kind: simulator.CutLink, On: fleet.Subject(link)})
}

func (w *world) options() dashboard.Options {
	return dashboard.Options{Alarms: w, Live: w.live, Journal: w.journal, Act: w.act, Cables: w, Now: w.clock}
}

// serve serves a world's pages on this machine and returns their address.
func serve(t testing.TB, o dashboard.Options) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- dashboard.Serve(ctx, l, dashboard.New(o)) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve = %v", err)
		}
	})
	return "http://" + l.Addr().String()
}
