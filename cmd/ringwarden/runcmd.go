package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"ringwarden/alerts/notify"
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

func (a *app) runCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "run [FLEET-FILE]",
		Short: "Watch a fleet: poll, store, export, judge",
		Long: `Watch every controller of a fleet file until stopped. The file is ringwarden.yaml in this folder if none is named.

All files are checked before the first connection is opened. SIGHUP reads them again: a file with faults changes
nothing, and connections to devices that did not change stay open. SIGINT and SIGTERM store what is still in memory,
then stop.`,
		Example: `  ringwarden run fleet.yaml
  kill -HUP PID    read the fleet file and its maps again`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error { return a.runDaemon(c.Context(), fleetPath(args)) },
	}
}

// defaultFleet is the fleet file if none is named.
const defaultFleet = "ringwarden.yaml"

func fleetPath(args []string) string {
	if len(args) > 0 {
		return args[0]
	}
	return defaultFleet
}

// collectEarly trades a little processor time for memory, of which the boxes that this runs on have less: garbage is
// collected at a fifth of what lives instead of at as much again, and for a small fleet, of which little lives that has to be looked
// through, at a tenth. GOGC in the environment wins.
func collectEarly(controllers int) {
	const small = 50
	percent := 20
	if controllers <= small {
		percent = 10
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(percent)
	}
	debug.FreeOSMemory() // the files that were read, and what became of them, are large once and never again
}

func (a *app) runDaemon(ctx context.Context, path string) error {
	log, err := a.log()
	if err != nil {
		return err
	}
	p, err := loadPlant(path)
	if err != nil {
		return hintedError{err, fleetHint(path, err)}
	}
	if _, err := users(p.fleet); err != nil {
		return hintedError{err, "fleet/FORMAT.md shows a web configuration; ringwarden config check " + path + " checks without running"}
	}
	listener, err := net.Listen("tcp", p.fleet.Listen)
	if err != nil {
		return hintedError{fmt.Errorf("opening the daemon's own address: %w", err), "is another ringwarden running? 'listen' in the fleet file is the address"}
	}
	reloads, stop := reloadOnHangup(ctx, path, p, func(err error) {
		log.Error("the fleet file was not taken over; the old one stays in force", "error", err)
	})
	defer stop()
	collectEarly(p.controllers())
	watchdog := newWatchdog(3 * p.fleet.Periods.Fast)
	d := &daemon{
		plant: p, log: log, listener: listener, reload: reloads, alive: watchdog.alive,
		ready: func() {
			log.Info("watching", "fleet", path, "controllers", p.controllers(), "pages", "http://"+listener.Addr().String(), "store", p.fleet.Store)
			_, _ = sd.SdNotify(false, sd.SdNotifyReady) // without a service manager nobody listens, and that is fine
		},
	}
	err = d.run(ctx)
	_, _ = sd.SdNotify(false, sd.SdNotifyStopping)
	log.Info("stopped")
	return err
}

func fleetHint(path string, err error) string {
	if errors.Is(err, fs.ErrNotExist) {
		return "write one after fleet/FORMAT.md and name it, as in ringwarden run fleet.yaml; ringwarden demo needs none"
	}
	return "ringwarden config check " + path + " checks without running"
}

// reloadOnHangup yields the plant anew at each SIGHUP. The returned function ends it and waits.
func reloadOnHangup(ctx context.Context, path string, last *plant, fail func(error)) (<-chan *plant, func()) {
	ctx, cancel := context.WithCancel(ctx)
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, hangup)
	plants, done := make(chan *plant), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ctx.Done():
				return
			case <-hup:
			}
			p, err := loadPlant(path)
			if err != nil {
				fail(err)
				continue
			}
			p.keepMaps(last)
			select {
			case plants <- p:
				last = p
			case <-ctx.Done():
				return
			}
		}
	}()
	return plants, func() { signal.Stop(hup); cancel(); <-done }
}

// A watchdog tells the service manager that polling lives. It is silent without one.
type watchdog struct {
	every  time.Duration // 0: nobody asks
	grace  time.Duration // frames must have come within this time
	frames uint64
	moved  time.Time // when the number of frames last grew
	told   time.Time
	now    func() time.Time
	notify func()
}

func newWatchdog(grace time.Duration) *watchdog {
	interval, err := sd.SdWatchdogEnabled(false)
	if err != nil {
		interval = 0
	}
	return &watchdog{
		every: interval / 2, grace: max(grace, interval/2), now: time.Now, moved: time.Now(),
		notify: func() { _, _ = sd.SdNotify(false, sd.SdNotifyWatchdog) },
	}
}

// alive is told how many frames have come so far, and passes it on while they keep coming.
func (w *watchdog) alive(frames uint64) {
	now := w.now()
	if frames != w.frames {
		w.frames, w.moved = frames, now
	}
	if w.every > 0 && now.Sub(w.told) >= w.every && now.Sub(w.moved) <= w.grace {
		w.notify()
		w.told = now
	}
}

func (p *plant) controllers() int {
	n := 0
	p.fleet.All(func(*fleet.Site, *fleet.Ring, *fleet.Controller) bool { n++; return true })
	return n
}

func (a *app) configCommand() *cobra.Command {
	return group("config", "Check the fleet file",
		`The fleet file lists what is installed: sites, rings and controllers in ring order, with how each is meant to be set.
fleet/FORMAT.md describes it, and testdata/demo/fleet.yaml is one to start from.`,
		&cobra.Command{
			Use:   "check [FLEET-FILE]",
			Short: "Check a fleet file and every register map that it names",
			Long: `Check a fleet file, its alarm rules, every register map that it names, who may log in to the pages, and the files with
secrets by which people are told. All faults of all files are shown at once, each with its place. No device and no
server is asked anything.`,
			Example: "  ringwarden config check fleet.yaml",
			Args:    arguments(0, 1, "one fleet file at most"),
			RunE:    func(_ *cobra.Command, args []string) error { return a.checkConfig(fleetPath(args)) },
		})
}

// checkSecrets returns what is wrong with the files that the ways to people need. What only another user may read is the
// daemon's own matter, and is told.
func (a *app) checkSecrets(f *fleet.Fleet) error {
	var faults []error
	for _, err := range notify.Check(f) {
		if errors.Is(err, fs.ErrPermission) {
			fmt.Fprintf(a.err, "ringwarden: not checked: %v\n", err)
			continue
		}
		faults = append(faults, err)
	}
	return errors.Join(faults...)
}

func (a *app) checkConfig(path string) error {
	p, err := loadPlant(path)
	if err != nil {
		return otherFile(err, path, "points", "it looks like a register map: ringwarden map check "+path)
	}
	f := p.fleet
	who, err := users(f)
	if err != nil {
		return err
	}
	if err := a.checkSecrets(f); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s: no fault\n", path)
	fmt.Fprintf(a.out, "  pages on %s %s\n", f.Listen, accessWords(f, who))
	fmt.Fprintf(a.out, "  readings in %s, committed every %s\n", f.Store, userfile.Span(f.Commit))
	fmt.Fprintf(a.out, "  polled every %s (fast), %s (normal), %s (slow)\n",
		userfile.Span(f.Periods.Fast), userfile.Span(f.Periods.Normal), userfile.Span(f.Periods.Slow))
	told := strings.Join(notify.Recipients(f), ", ")
	if told == "" {
		told = "nobody; the pages and the commands alone show them"
	}
	fmt.Fprintf(a.out, "  told of alarms: %s\n", told)
	for s := range f.Sites {
		site := &f.Sites[s]
		for r := range site.Rings {
			ring := &site.Rings[r]
			shape := "ring"
			if ring.Open {
				shape = "open ring"
			}
			fmt.Fprintf(a.out, "  %s: %s of %s, %s\n", ring.ID, shape, count(len(ring.Controllers), "controller", "controllers"), count(len(ring.Links()), "cable", "cables"))
		}
	}
	return nil
}
