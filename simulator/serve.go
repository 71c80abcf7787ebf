package simulator

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"golang.org/x/sync/errgroup"

	"ringwarden/fleet"
	"ringwarden/registermap"
	"ringwarden/simulator/modbusserver"
)

// ServeOptions say how a plant is served.
type ServeOptions struct {
	Speed   float64 // simulated seconds in a second, above 0; 0: 1
	AnyPort bool    // each host gets a free port of the system's choice on 127.0.0.1, whatever the fleet file says
	// Ready is called once, when every host can be connected to, with the address that each of the fleet file's hosts
	// is served at. Nil: nobody wants to know. Serve waits for it.
	Ready  func(addresses map[string]string)
	Logger *slog.Logger // nil: silent
}

// Serve runs the plant by the clock and answers Modbus TCP for its controllers until ctx is done: one listener for each
// of the fleet file's hosts, with the controllers that share it as units behind it. It listens on loopback alone, and a
// fleet file that names another address, or TLS, is an error unless AnyPort is set.
//
// When it returns, every connection is closed and every goroutine has ended. It returns nil on cancellation.
func Serve(ctx context.Context, p *Plant, o ServeOptions) error {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if o.Speed < 0 || o.Speed > fastest {
		return fmt.Errorf("serving the plant: speed is %g; it must be above 0, and %g at most", o.Speed, float64(fastest))
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	hosts, err := p.listen(o.AnyPort)
	if err != nil {
		return fmt.Errorf("serving the plant: %w", err)
	}
	addresses := map[string]string{}
	g, ctx := errgroup.WithContext(ctx)
	for _, h := range hosts {
		addresses[h.name] = h.listener.Addr().String()
		g.Go(func() error {
			if err := modbusserver.Serve(ctx, h.listener, h.config(o.Logger)); err != nil {
				return fmt.Errorf("serving %s: %w", h.name, err)
			}
			return nil
		})
	}
	g.Go(func() error { p.run(ctx, o); return nil })
	if o.Ready != nil {
		o.Ready(addresses)
	}
	return g.Wait()
}

const (
	fastest     = 100_000
	tick        = 50 * time.Millisecond // between two looks at the clock
	longestLag  = 10 * time.Second      // of the clock's time; more is skipped, as after the machine slept
	lockedSteps = 60                    // seconds advanced at once, so that readers need not wait long
)

// run moves the plant on with the clock until ctx is done.
func (p *Plant) run(ctx context.Context, o ServeOptions) {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	c := clock{speed: o.Speed, began: time.Now(), from: p.Now()}
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		target, skipped := c.target(time.Now(), p.Now())
		if skipped > 0 {
			o.Logger.Warn("simulation fell behind the clock; skipping ahead", "by", skipped.Round(time.Second))
		}
		for now := p.Now(); now.Before(target) && ctx.Err() == nil; {
			next := now.Add(lockedSteps * step)
			if next.After(target) {
				next = target
			}
			p.Advance(next)
			now = next
		}
		p.report(o.Logger)
	}
}

// A clock says how far simulated time should be.
type clock struct {
	speed float64
	began time.Time // by the machine's clock
	from  time.Time // simulated, at began
}

// target returns the simulated instant that belongs to an instant of the machine's clock. If the simulation lags too
// far behind it, the clock starts anew from where the simulation is, and skipped is the lag in the machine's time.
func (c *clock) target(now, simulated time.Time) (target time.Time, skipped time.Duration) {
	target = c.from.Add(time.Duration(float64(now.Sub(c.began)) * c.speed))
	lag := time.Duration(float64(target.Sub(simulated)) / c.speed)
	// A whole second of simulated time is the least that can be lagged by, however slowly it runs.
	if lag <= longestLag || target.Sub(simulated) <= step {
		return target, 0
	}
	c.began, c.from = now, simulated
	return simulated, lag
}

func (p *Plant) report(log *slog.Logger) {
	for _, n := range p.News() {
		attrs := []any{"fault", string(n.Fault.Kind), "on", string(n.Fault.On), "simulated", n.At.Format(time.DateTime)}
		switch {
		case n.Err != nil:
			log.Warn("scenario event could not be done", append(attrs, "err", n.Err)...)
		case n.Ended:
			log.Info("simulated fault ends", attrs...)
		default:
			log.Info("simulated fault begins", attrs...)
		}
	}
}

// A host is one listener with the units behind it.
type host struct {
	name     string // in the fleet file
	listener net.Listener
	plant    *Plant
	units    map[uint8]*unit
	site     *network
}

// listen opens a listener for each host, or none at all.
func (p *Plant) listen(anyPort bool) ([]*host, error) {
	hosts, err := p.hosts(anyPort)
	if err != nil {
		return nil, err
	}
	for i, h := range hosts {
		address := h.name
		if anyPort {
			address = "127.0.0.1:0"
		}
		if h.listener, err = net.Listen("tcp", address); err != nil {
			for _, open := range hosts[:i] {
				open.listener.Close()
			}
			return nil, fmt.Errorf("%w; end what uses the address, or give the controller another host", err)
		}
	}
	return hosts, nil
}

// hosts gathers the units by host, and everything that forbids to serve them.
func (p *Plant) hosts(anyPort bool) ([]*host, error) {
	var hosts []*host
	var faults []error
	byName := map[string]*host{}
	for _, r := range p.rings {
		for i := range r.units {
			u := &r.units[i]
			h := byName[u.c.Host]
			if h == nil {
				h = &host{name: u.c.Host, plant: p, units: map[uint8]*unit{}, site: r.network}
				byName[h.name] = h
				hosts = append(hosts, h)
			}
			if other := h.units[u.c.Unit]; other != nil {
				faults = append(faults, fmt.Errorf("%s and %s are both unit %d at %s", other.c.ID, u.c.ID, u.c.Unit, h.name))
			}
			h.units[u.c.Unit] = u
			if !anyPort {
				faults = append(faults, servable(u.c))
			}
		}
	}
	return hosts, errors.Join(faults...)
}

// servable says why a controller cannot be served where the fleet file says that it is, or nil.
func servable(c *fleet.Controller) error {
	name, _, err := net.SplitHostPort(c.Host)
	ip := net.ParseIP(name)
	switch {
	case err != nil:
		return fmt.Errorf("%s: host %q is no host:port", c.ID, c.Host)
	case name != "localhost" && (ip == nil || !ip.IsLoopback()):
		return fmt.Errorf("%s: host %s is not of this machine alone; the simulator serves loopback addresses, such as 127.0.0.1:15020", c.ID, c.Host)
	case c.TLS != nil:
		return fmt.Errorf("%s: the simulator serves plain Modbus TCP and no TLS", c.ID)
	}
	return nil
}

func (h *host) config(log *slog.Logger) modbusserver.Config {
	return modbusserver.Config{
		Device:  h.device,
		Gateway: len(h.units) > 1,
		Spoil:   h.spoil,
		Gate:    &h.site.gate,
		Logger:  log,
	}
}

func (h *host) device(id uint8) (modbusserver.Device, bool) {
	u, ok := h.units[id]
	return served{h.plant, u}, ok
}

// rubbish is what a garbling unit sends: no Modbus TCP header begins like this.
var rubbish = []byte("\x7f\xfe\x55\xaa\x00\x13\x37\xff\xff\x00\x2a\x2a\x2a")

func (h *host) spoil(r modbusserver.Request) modbusserver.Spoil {
	h.plant.mu.Lock()
	defer h.plant.mu.Unlock()
	u := h.units[r.Unit]
	switch {
	case u == nil:
		return modbusserver.Spoil{}
	case u.dead && len(h.units) > 1:
		return modbusserver.Spoil{Exception: modbusserver.GatewayTargetFailed}
	case u.dead, u.dev.silent:
		return modbusserver.Spoil{Silent: true}
	case u.dev.garbling:
		return modbusserver.Spoil{Garbage: rubbish}
	case u.dev.refusing:
		return modbusserver.Spoil{Exception: modbusserver.ServerDeviceFailure}
	}
	return modbusserver.Spoil{Delay: u.dev.slow}
}

// served is a unit as the server sees it.
type served struct {
	p *Plant
	u *unit
}

func (s served) ReadRegisters(function uint8, start, count uint16, dst []uint16) error {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	table := registermap.Holding
	if function == modbusserver.ReadInputRegisters {
		table = registermap.Inputs
	}
	return refusal(s.u.readRegisters(table, start, count, dst))
}

func (s served) ReadBits(function uint8, start, count uint16, dst []bool) error {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	table := registermap.Coils
	if function == modbusserver.ReadDiscreteInputs {
		table = registermap.Discretes
	}
	return refusal(s.u.readBits(table, start, count, dst))
}

func refusal(err error) error {
	if errors.Is(err, registermap.ErrNoSuchAddress) {
		return modbusserver.IllegalDataAddress
	}
	return err
}
