package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"ringwarden/alerts"
	"ringwarden/alerts/notify"
	"ringwarden/cmd/ringwarden/door"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/metrics"
	"ringwarden/poller"
	"ringwarden/store"
)

// A daemon is all rooms at work on one plant. Both run and demo are one.
type daemon struct {
	plant *plant
	log   *slog.Logger
	// listener is where the daemon's own pages are; the daemon closes it.
	listener net.Listener
	// watchers take frames and changes besides the metrics.
	watchers []road.Watcher
	// reload yields a plant whenever the fleet file is to be read again; nil: never.
	reload <-chan *plant
	// ready is called once everything is at work; nil: nobody asks.
	ready func()
	// cables lets people pull simulated cables on the pages; nil: nobody can.
	cables dashboard.Cables
	// time is the clock that frames, alarms and readings go by. The zero value is the machine's own.
	time pace
	// calendar says whose days the rollups follow.
	calendar calendar
	// next is the plant that was read last, for a watch that begins anew; nil: none was read since.
	next *plant
	// left is what was read and could not be stored when a watch ended.
	left []fleet.Frame
	// alive is called at every tick with the number of frames so far; nil: nobody asks.
	alive func(frames uint64)
}

// shutdownTime limits how long the last readings may take to reach the disk.
const shutdownTime = 10 * time.Second

// run watches until ctx is done. It stores what was read before it returns. Where the store's file is found damaged meanwhile,
// so that nothing can be written to it any more, all rooms end and begin anew, as at a start of the program: that looks
// through the file and moves it aside. What was read and not stored goes into the new one.
func (d *daemon) run(ctx context.Context) error {
	for last := (time.Time{}); ; last = time.Now() {
		err := d.once(ctx)
		if ctx.Err() != nil || !errors.Is(err, errBroken) || !last.IsZero() && time.Since(last) < anewEvery {
			return err
		}
		if d.next != nil {
			d.plant, d.next = d.next, nil
		}
		d.log.Error("the store was found damaged while it was in use; everything begins anew", "error", err, "frames_waiting", len(d.left))
		if d.listener, err = net.Listen("tcp", d.listener.Addr().String()); err != nil {
			return fmt.Errorf("opening the daemon's own address again: %w", err)
		}
	}
}

// errBroken marks the end of a watch whose store cannot be written to any more.
var errBroken = errors.New("the store is to be opened anew")

// anewEvery is how often a watch may begin anew after damage: a disk that spoils one file after the other is for people.
const anewEvery = 10 * time.Minute

// once opens the store and watches until ctx is done, or the store is broken.
func (d *daemon) once(ctx context.Context) error {
	f := d.plant.fleet
	devices, err := poller.Devices(f, d.plant.maps)
	if err != nil {
		return err
	}
	who, err := users(f)
	if err != nil {
		return err
	}
	journal, aside, err := openJournal(f, d.boot(), &d.calendar, d.log)
	if err != nil {
		return err
	}
	if len(d.left) > 0 {
		if err := journal.Append(ctx, d.left); err != nil {
			d.log.Error("what was read and not stored before is lost", "frames", len(d.left), "error", err)
		}
	}
	d.left = nil
	err = d.watch(ctx, devices, journal, aside, who)
	return errors.Join(err, journal.Close())
}

func (d *daemon) watch(ctx context.Context, devices []poller.Device, journal *store.Store, aside string, who *dashboard.Users) error {
	f := d.plant.fleet
	standing, err := journal.Standing(ctx)
	if err != nil {
		return fmt.Errorf("reading the alarms that stood before: %w", err)
	}
	judged := d.time.fleet(f)
	engine := alerts.New(judged)
	recall(engine, f.Store, d.log)
	engine.Restore(standing)
	if err := recallSteps(ctx, engine, journal, d.time.of(time.Now().Round(0))); err != nil {
		return fmt.Errorf("reading the steps of the clock: %w", err)
	}

	var r *road.Road
	measured := &measurer{journal: journal, engine: engine, now: func() time.Time { return d.time.of(time.Now().Round(0)) }, log: d.log}
	desk, err := notify.Open(ctx, judged, journal, d.time.of(time.Now()), notify.Options{
		Logger: d.log, Standing: func() []fleet.Alarm { return r.Alarms() },
	})
	if err != nil {
		return err
	}
	version, revision := buildVersion()
	m := metrics.New(judged, metrics.Options{
		Now:     func() time.Time { return d.time.of(time.Now()) },
		Version: version, Revision: revision, Kinds: alerts.Kinds(), Logger: d.log,
		Store:  func() metrics.StoreHealth { return storeHealth(journal, r) },
		Notify: func() []metrics.NotifyHealth { return notifyHealth(desk) }, Judgement: measured.judgement,
	})
	m.Restore(standing)
	live := d.live(ctx, judged, journal)
	calls := dashboard.NewCallBook(judged, journal, d.log)
	r = road.New(telling{journal, desk}, engine, judged.Commit, d.log, append([]road.Watcher{m, live, calls}, d.watchers...)...)
	measured.road = r
	pages := d.pages(m.Handler(), r, journal, live, engine, who)
	keeper := keeper{journal: journal, road: r, aside: aside, now: func() time.Time { return d.time.of(time.Now()) }, log: d.log}
	limits := make(chan fleet.Keep)
	p := poller.New(poller.Config{Logger: d.log}, d.time.sink(r))
	p.Update(devices, f.Periods)
	r.LookWith(p)
	pages.CableTests = dashboard.NewCableTests(linkWatch(p), 0)

	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return p.Run(gctx) })
	g.Go(func() error { d.tick(gctx, r, journal, tick(f.Periods)); return nil })
	g.Go(func() error { return dashboard.Serve(gctx, who.Listener(d.listener), dashboard.New(pages)) })
	g.Go(func() error {
		d.reloads(gctx, p, r, m, func(f *fleet.Fleet) { live.Update(f); calls.Update(f) }, engine, desk, limits)
		return nil
	})
	g.Go(func() error {
		calls.Run(gctx, func() time.Time { return d.time.of(time.Now().Round(0)) })
		return nil
	})
	g.Go(func() error { return desk.Run(gctx) })
	g.Go(func() error { measured.run(gctx); return nil })
	g.Go(func() error {
		if err := keeper.run(gctx, f.Keep, limits); err != nil {
			return fmt.Errorf("%w: %w", errBroken, err)
		}
		return nil
	})
	g.Go(func() error { return d.openDoor(gctx, journal, desk, pages) })
	g.Go(func() error { pages.Studies.Run(gctx); return nil })
	g.Go(func() error { pages.CableTests.Run(gctx); return nil })
	g.Go(func() error {
		journal.RunFold(gctx, func() time.Time { return d.time.of(time.Now().Round(0)) })
		return nil
	})
	g.Go(func() error { keepMemory(gctx, r, engine, f.Store, d.log); return nil })
	if d.ready != nil {
		d.ready()
	}
	err = g.Wait()

	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
	defer cancel()
	r.Close(last, d.time.of(time.Now()))
	p.Wait()
	d.left = r.Left()
	return err
}

// openDoor lets commands of this machine in until ctx is done. That there is no door is no reason not to watch.
func (d *daemon) openDoor(ctx context.Context, journal *store.Store, desk *notify.Desk, pages dashboard.Options) error {
	path := d.plant.fleet.Store
	l, err := door.Listen(path)
	if err != nil {
		d.log.Error("commands cannot ask this daemon", "error", err)
		return nil
	}
	pages.Users, pages.Exposed = nil, false // the door's file says who may come in
	return door.New(door.Options{Store: journal, Path: path, Desk: desk, Rest: dashboard.New(pages), Logger: d.log}).Run(ctx, l)
}

// reloads puts each new plant to work: connections that did not change stay open, alarms that stand go on.
func (d *daemon) reloads(ctx context.Context, p *poller.Poller, r *road.Road, m *metrics.Metrics, pages func(*fleet.Fleet), engine *alerts.Engine,
	desk *notify.Desk, limits chan<- fleet.Keep,
) {
	for {
		select {
		case <-ctx.Done():
			return
		case next := <-d.reload:
			devices, err := poller.Devices(next.fleet, next.maps)
			if err != nil {
				d.log.Error("the fleet file was not taken over; the old one stays in force", "error", err)
				continue
			}
			p.Update(devices, next.fleet.Periods)
			d.calendar.follow(next.fleet)
			m.Update(next.fleet)
			pages(next.fleet)
			desk.Update(next.fleet)
			r.Judging(func() { engine.Update(next.fleet) })
			select {
			case limits <- next.fleet.Keep:
			case <-ctx.Done():
			}
			d.next = next
			d.log.Info("the fleet file was read again", "controllers", len(devices))
			if later := atNextStart(d.plant.fleet, next.fleet); later != "" {
				d.log.Warn("some of the fleet file is taken over at the next start only", "settings", later)
			}
		}
	}
}

// atNextStart names the settings that a reload cannot take over.
func atNextStart(now, next *fleet.Fleet) string {
	var names []string
	for _, s := range []struct {
		name    string
		differs bool
	}{
		{"listen", now.Listen != next.Listen},
		{"plain_http", now.PlainHTTP != next.PlainHTTP},
		{"web", now.Web != next.Web},
		{"operators", !slices.Equal(now.Operators, next.Operators)},
		{"store", now.Store != next.Store},
		{"commit", now.Commit != next.Commit},
	} {
		if s.differs {
			names = append(names, s.name)
		}
	}
	return strings.Join(names, ", ")
}

// storeHealth says how the store is, and what waits for it.
func storeHealth(journal *store.Store, r *road.Road) metrics.StoreHealth {
	var h metrics.StoreHealth
	h.Buffered, h.Dropped = r.Backlog()
	if s, err := journal.Stat(); err == nil {
		h.Commits, h.CommitTime, h.FileBytes = s.Commits, s.Committing, s.Size
	}
	return h
}

// tick lets the road judge by the clock until ctx is done, and in between when a frame came that may decide something.
func (d *daemon) tick(ctx context.Context, r *road.Road, journal *store.Store, every time.Duration) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		var now time.Time
		select {
		case <-ctx.Done():
			return
		case now = <-ticker.C:
		case <-r.Eager():
			now = time.Now()
		}
		if before, after, stepped := journal.ClockStepped(); stepped {
			stepClock(ctx, r, journal, d.log, before, after)
			now = time.Now()
		}
		r.Tick(ctx, d.time.of(now.Round(0))) // by the wall clock, as the frames are
		if d.alive != nil {
			d.alive(r.Carried())
		}
	}
}

// tick is how often the engine judges: twice in the shortest period, within bounds.
func tick(p fleet.Periods) time.Duration {
	return min(max(p.Fast/2, 250*time.Millisecond), time.Second)
}
