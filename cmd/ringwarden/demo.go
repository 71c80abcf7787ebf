package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
	"ringwarden/simulator"
	"ringwarden/testdata"
)

// demoOptions are the flags of demo.
type demoOptions struct {
	list   bool
	limit  time.Duration
	listen string
	keep   string
	simulated
}

func (a *app) demoCommand() *cobra.Command {
	var o demoOptions
	c := &cobra.Command{
		Use:   "demo",
		Short: "Watch a simulated ring, with nothing to prepare",
		Long: `Simulate five charge controllers in a ring, poll them over real Modbus TCP on this machine, store every reading in a
temporary database, serve metrics, judge, and show what happens. Simulated time runs sixty times as fast as the clock:
a day of the ring takes 24 minutes, and all times shown, stored and judged are simulated.

A scenario makes something go wrong. With --for, the demo ends by itself and says whether the alarms of the scenario
were raised, and no other; the exit status is 1 if not.`,
		Example: `  ringwarden demo
  ringwarden demo --list
  ringwarden demo --scenario cut-link
  ringwarden demo --scenario ground-fault --for 1m
  curl http://127.0.0.1:27464/metrics`,
		Args: arguments(0, 0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error {
			if o.list {
				return a.listScenarios()
			}
			return a.demo(c.Context(), o)
		},
	}
	f := c.Flags()
	o.flags(c, 60)
	f.BoolVar(&o.list, "list", false, "list the shipped scenarios")
	f.DurationVar(&o.limit, "for", 0, "end after this time, as in 90s; 0: when interrupted")
	f.StringVar(&o.listen, "listen", fleet.DefaultListen, "address of the demo's own pages; a free port is taken if it is in use")
	f.StringVar(&o.keep, "keep", "", "keep the database in this folder, with a fleet file and maps that the other commands read it by")
	return c
}

const scenarioFolder = "scenarios"

func (a *app) listScenarios() error {
	files, err := testdata.Files.ReadDir(scenarioFolder)
	if err != nil {
		return err
	}
	for _, f := range files {
		name := strings.TrimSuffix(f.Name(), ".yaml")
		s, err := findScenario(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(a.out, "%-22s %s\n", name, s.About)
	}
	return nil
}

func scenarioNames() []string {
	var names []string
	files, _ := testdata.Files.ReadDir(scenarioFolder) // it is in the program
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	return names
}

// findScenario reads a shipped scenario by its name, or any other by its path. No name is no scenario.
func findScenario(name string) (*simulator.Scenario, error) {
	if name == "" {
		return nil, nil
	}
	if data, err := testdata.Files.ReadFile(path.Join(scenarioFolder, name+".yaml")); err == nil {
		return simulator.ParseScenario(name+".yaml", data)
	}
	if !strings.ContainsAny(name, `./\`) {
		return nil, hintedError{fmt.Errorf("there is no shipped scenario %q%s", name, userfile.Hint(name, scenarioNames())), "ringwarden demo --list lists them; a file needs its ending, as in mine.yaml"}
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, cannotRead("scenario", name, err)
	}
	return simulator.ParseScenario(name, data)
}

// demoPlant is the embedded fleet with its maps.
func demoPlant() (*plant, error) {
	const file = "demo/fleet.yaml"
	data, err := testdata.Files.ReadFile(file)
	if err != nil {
		return nil, err
	}
	f, err := fleet.Parse(file, data, alerts.Kinds())
	if err != nil {
		return nil, err
	}
	return withMaps(f, func(name string) ([]byte, error) { return testdata.Files.ReadFile(filepath.ToSlash(name)) })
}

func (a *app) demo(ctx context.Context, o demoOptions) error {
	log, err := a.log()
	if err != nil {
		return err
	}
	if err := dashboard.CheckListen(o.listen); err != nil {
		return usageError{err}
	}
	p, err := demoPlant()
	if err != nil {
		return err
	}
	scenario, err := findScenario(o.scenario)
	if err != nil {
		return err
	}
	sim, err := simulator.New(p.fleet, p.maps, simulator.Options{Seed: o.seed, Scenario: scenario})
	if err != nil {
		return err
	}
	remove, err := demoStore(p.fleet, o.keep)
	if err != nil {
		return err
	}
	defer remove()
	if o.limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.limit)
		defer cancel()
	}
	tally := &tally{raised: map[fleet.AlarmKey]bool{}}
	if err := a.watchDemo(ctx, p, sim, o, log, tally); err != nil {
		return err
	}
	if o.limit > 0 && scenario != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return a.compare(scenario, tally)
	}
	return nil
}

// demoStore says where the demo's database is, and returns what removes it again.
func demoStore(f *fleet.Fleet, keep string) (func(), error) {
	if keep != "" {
		f.Store = filepath.Join(keep, "demo.db")
		return func() {}, keepDemoFiles(keep)
	}
	folder, err := os.MkdirTemp("", "ringwarden-demo-")
	if err != nil {
		return nil, fmt.Errorf("making a temporary folder for the database: %w", err)
	}
	f.Store = filepath.Join(folder, "demo.db")
	return func() { _ = os.RemoveAll(folder) }, nil
}

// demoCommit is how often the demo stores what it read: five minutes of simulated time, so that the page of the cables, which
// weighs what is stored, follows soon.
const demoCommit = 5 * time.Second

// watchDemo serves the simulated controllers and watches them until ctx is done.
func (a *app) watchDemo(ctx context.Context, p *plant, sim *simulator.Plant, o demoOptions, log *slog.Logger, tally *tally) error {
	listener, err := net.Listen("tcp", o.listen)
	if err != nil {
		if listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			return fmt.Errorf("opening an address for the demo's pages: %w", err)
		}
	}
	p.fleet.Listen, p.fleet.Commit = listener.Addr().String(), demoCommit
	site := &p.fleet.Sites[0]
	v := newView(a.out, &site.Rings[0], func() time.Time { return sim.Now().In(site.Zone) })

	g, ctx := errgroup.WithContext(ctx)
	served := make(chan map[string]string, 1)
	g.Go(func() error {
		return simulator.Serve(ctx, sim, simulator.ServeOptions{
			Speed: o.speed, AnyPort: true, Logger: slog.New(v.logHandler()),
			Ready: func(addresses map[string]string) { served <- addresses },
		})
	})
	g.Go(func() error {
		select {
		case <-ctx.Done():
			return listener.Close()
		case addresses := <-served:
			moveHosts(p.fleet, addresses)
		}
		a.greet(p, o)
		d := &daemon{
			plant: p, log: quiet(log), listener: listener, watchers: []road.Watcher{v, tally}, cables: demoCables{sim},
			time: pace{speed: o.speed, from: time.Now(), to: sim.Now()},
		}
		return d.run(ctx)
	})
	g.Go(func() error { return v.Run(ctx) })
	return g.Wait()
}

// moveHosts puts the addresses at which the controllers are really served into the fleet.
func moveHosts(f *fleet.Fleet, addresses map[string]string) {
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		c.Host = addresses[c.Host]
		return true
	})
}

func (a *app) greet(p *plant, o demoOptions) {
	site := &p.fleet.Sites[0]
	fmt.Fprintf(a.out, "%s: %d controllers in a ring, simulated at %g times the clock's speed\n", site.Name, p.controllers(), o.speed)
	p.fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		fmt.Fprintf(a.out, "  %-15s %-6s Modbus TCP at %s, map %s\n", c.ID.Slug(), c.Source, c.Host, path.Base(filepath.ToSlash(c.Map)))
		return true
	})
	fmt.Fprintf(a.out, "  pages at http://%s/, where a click on a cable of the ring pulls it\n", p.fleet.Listen)
	fmt.Fprintf(a.out, "  metrics at http://%s/metrics, alarms at http://%[1]s/api/v1/alarms\n", p.fleet.Listen)
	fmt.Fprintf(a.out, "  readings in %s\n", p.fleet.Store)
	if o.keep != "" {
		fmt.Fprintf(a.out, "    which stays, for commands such as: ringwarden store stat %s\n", filepath.Join(o.keep, demoFleetFile))
	}
	fmt.Fprint(a.out, "  Ctrl-C ends it\n\n")
}

// quiet keeps the daemon's log to what the view does not show.
func quiet(log *slog.Logger) *slog.Logger {
	return slog.New(&atLeast{log.Handler(), slog.LevelError})
}

// atLeast is a log handler with a level of its own.
type atLeast struct {
	slog.Handler
	level slog.Level
}

func (h *atLeast) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= h.level && h.Handler.Enabled(ctx, level)
}
