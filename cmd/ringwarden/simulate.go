package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/simulator"
)

type simulateOptions struct {
	mapFile     string
	fleetFile   string
	controllers int
	listen      string
	simulated
}

// simulated is what can be said of any simulation.
type simulated struct {
	scenario string
	speed    float64
	seed     uint64
}

func (s *simulated) flags(c *cobra.Command, speed float64) {
	f := c.Flags()
	f.StringVar(&s.scenario, "scenario", "", "name of a shipped scenario, or path of a scenario file")
	f.Float64Var(&s.speed, "speed", speed, "simulated seconds in a second")
	f.Uint64Var(&s.seed, "seed", 0, "of everything random; the same seed gives the same weather")
}

func (a *app) simulateCommand() *cobra.Command {
	var o simulateOptions
	c := &cobra.Command{
		Use:   "simulate --map FILE | --fleet FILE",
		Short: "Serve simulated controllers over Modbus TCP",
		Long: `Serve simulated charge controllers over Modbus TCP on this machine until interrupted: a ring of controllers that all
have one register map, or every controller of a fleet file at the loopback address that the file names. Any map works,
so a map can be tried before there is a device.`,
		Example: `  ringwarden simulate --map testdata/maps/larkspur.yaml --listen 127.0.0.1:15020
  ringwarden simulate --fleet testdata/demo/fleet.yaml --scenario cut-link --speed 60`,
		Args: arguments(0, 0, "no argument"),
		RunE: func(c *cobra.Command, _ []string) error { return a.simulate(c.Context(), o) },
	}
	f := c.Flags()
	f.StringVar(&o.mapFile, "map", "", "register map that every controller has")
	f.StringVar(&o.fleetFile, "fleet", "", "fleet file whose controllers to serve")
	o.flags(c, 1)
	f.IntVar(&o.controllers, "controllers", 1, "how many controllers, with --map")
	f.StringVar(&o.listen, "listen", "127.0.0.1:15020", "address of the first controller, with --map; the others follow port by port")
	return c
}

func (a *app) simulate(ctx context.Context, o simulateOptions) error {
	log, err := a.log()
	if err != nil {
		return err
	}
	p, err := simulatedPlant(o)
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
	return simulator.Serve(ctx, sim, simulator.ServeOptions{
		Speed: o.speed, Logger: log,
		Ready: func(addresses map[string]string) {
			p.fleet.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
				fmt.Fprintf(a.out, "%s at %s, unit %d\n", c.ID, addresses[c.Host], c.Unit)
				return true
			})
		},
	})
}

func simulatedPlant(o simulateOptions) (*plant, error) {
	if (o.mapFile == "") == (o.fleetFile == "") {
		return nil, hintedError{usageError{errors.New("simulate wants either --map or --fleet")}, "as in --map testdata/maps/larkspur.yaml"}
	}
	if o.fleetFile != "" {
		return loadPlant(o.fleetFile)
	}
	m, err := readMap(o.mapFile, os.ReadFile)
	if err != nil {
		return nil, err
	}
	first, err := firstPort(o.listen)
	if err != nil {
		return nil, err
	}
	f, err := simulator.Bench(m, o.controllers, first)
	if err != nil {
		return nil, usageError{err}
	}
	return &plant{fleet: f, maps: map[string]*registermap.Map{m.File: m}}, nil
}

func firstPort(listen string) (int, error) {
	host, port, err := net.SplitHostPort(listen)
	n, notNumber := strconv.Atoi(port)
	switch {
	case err != nil || notNumber != nil:
		return 0, usageError{fmt.Errorf("--listen is %q; it must be an address and a port, as in 127.0.0.1:15020", listen)}
	case !fleet.LoopbackOnly(listen) || host != "127.0.0.1":
		return 0, usageError{fmt.Errorf("--listen is %q; simulated controllers are served at 127.0.0.1 alone", listen)}
	}
	return n, nil
}
