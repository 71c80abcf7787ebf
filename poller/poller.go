// Package poller asks charge controllers for their registers over Modbus TCP and puts what they answer on the road as
// frames.
//
// A [Poller] has one connection for each host:port, and one goroutine for each connection: it owns the socket, asks
// the units behind it one after the other with the pause that their map wants, and ends with the connection. The
// library's connecting cannot be interrupted and may last 5 s (15 s with TLS), so it alone runs in a goroutine of its
// own, at most one for each connection.
//
// What it promises:
//
//   - Polls fall due on a grid, k*period + phase from the Unix epoch. All controllers of a ring have the same phase and
//     so are read at the same instant, as far as their connections allow; rings are spread over the fast period.
//   - Each poll that falls due gives exactly one frame. No answer is news and travels as such: see [fleet.Outcome]. A
//     unit that is being left alone gives frames with the outcome of its last try. Exceptions: instants that are more
//     than a hundred periods old when their turn comes (the machine slept, the clock was set) have no frame, nor has
//     one that was still waiting when a reload changed its controller's connection or period. Where the clock is set
//     back by more than two periods, instants come twice.
//   - A value comes from the answer to this poll's own request. After anything but data or an exception the
//     connection is closed and never used again, since the rest of a late answer would pass for the next one.
//   - When a cycle takes longer than its period, instants are skipped, counted and reported. Nothing piles up.
//   - What does not answer is left alone for longer and longer. A dead unit behind a live gateway is asked last,
//     briefly and rarely; its neighbours do not wait for it more than that.
//   - A [Poller.Watch], for whoever stands at a cable, asks for what is counted on cables in the time that is left, and
//     its frames go to whoever watches and nowhere else.
//   - A [Poller.Look] is one poll more, in the time that is left; its frame lies between the instants of the grid.
//   - It only reads: function codes 01 to 04. No code of this package can send any other.
//
// It does not decode (registermap does), judge, or keep anything.
package poller

import (
	"context"
	"io"
	"log"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"ringwarden/fleet"
)

// A Sink takes frames. Several goroutines call it at the same time.
type Sink interface {
	// Put takes a frame. It must not keep f or f.Values after it returns: both are used again for the next poll. It
	// must not block for long: the connection waits for it.
	Put(f *fleet.Frame)
}

// Config says how to poll. The zero value is usable.
type Config struct {
	Periods fleet.Periods // for groups whose period [Poller.Update] leaves at 0; 0 in both: the group is not polled
	Timeout time.Duration // longest wait for one answer, and of a poll for a connection; 0: 1 s
	Backoff Backoff       // for connections, and for units that do not answer
	Grace   time.Duration // how long [Poller.Run], at its end, waits for connections being opened; 0: 1 s
	Logger  *slog.Logger  // nil: says nothing
}

func (c Config) withDefaults() Config {
	if c.Timeout <= 0 {
		c.Timeout = time.Second
	}
	if c.Grace <= 0 {
		c.Grace = time.Second
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	c.Backoff = c.Backoff.withDefaults()
	return c
}

// A Poller polls devices and puts frames into a sink. Make one with [New], say which devices with [Poller.Update],
// and let it work with [Poller.Run].
type Poller struct {
	cfg   Config
	sink  Sink
	open  opener
	dials tracker // connections being opened

	updating sync.Mutex                 // held while a new assignment replaces the old one
	current  atomic.Pointer[assignment] // never nil

	wishing sync.Mutex // guards wishes
	wishes  map[address]chan<- wish
}

// An assignment is what [Poller.Update] and the calls of [Poller.Watch] want. It never changes.
type assignment struct {
	devices  map[address][]Device // in the order given
	periods  fleet.Periods
	watches  []*watch
	replaced chan struct{} // closed when a newer assignment stands
}

// New returns a poller without devices.
func New(cfg Config, sink Sink) *Poller {
	cfg = cfg.withDefaults()
	p := &Poller{cfg: cfg, sink: sink, open: openPort(libraryLog(cfg.Logger)), wishes: map[address]chan<- wish{}}
	p.current.Store(&assignment{replaced: make(chan struct{})})
	return p
}

// libraryLog bridges the library's warnings, which tell of each odd answer, to the debug level of ours.
func libraryLog(logger *slog.Logger) *log.Logger {
	if !logger.Enabled(context.Background(), slog.LevelDebug) {
		return log.New(io.Discard, "", 0)
	}
	return slog.NewLogLogger(logger.Handler(), slog.LevelDebug)
}

// Update makes the poller poll these devices at these periods from now on, and no others. It returns at once; the
// change takes effect between polls. A connection stays open if some device still uses its host:port with the same
// TLS files. A device keeps its grid and what was learned about it as long as it, its map (the same pointer) and the
// periods stay the same.
func (p *Poller) Update(devices []Device, periods fleet.Periods) {
	a := &assignment{
		devices: make(map[address][]Device),
		periods: fleet.Periods{
			Fast:   orElse(periods.Fast, p.cfg.Periods.Fast),
			Normal: orElse(periods.Normal, p.cfg.Periods.Normal),
			Slow:   orElse(periods.Slow, p.cfg.Periods.Slow),
		},
		replaced: make(chan struct{}),
	}
	for _, d := range devices {
		a.devices[d.address()] = append(a.devices[d.address()], d)
	}
	p.updating.Lock()
	defer p.updating.Unlock()
	a.watches = p.current.Load().watches
	close(p.current.Swap(a).replaced)
}

func orElse(d, other time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return other
}

// Run polls until ctx is done, then waits for the polls in flight: each ends with its request under way, so within
// Timeout, and what it has read by then travels (if that is nothing, the poll counts as skipped). Connections that are
// just being opened cannot be stopped; Run waits for them for Grace, and [Poller.Wait] for the rest. It returns nil on
// cancellation; there is no other end. After it has returned, nothing more is put into the sink. It may run once at a
// time.
func (p *Poller) Run(ctx context.Context) error {
	conns := make(map[address]*running)
	for ctx.Err() == nil {
		a := p.current.Load()
		p.match(ctx, conns, a)
		select {
		case <-a.replaced:
		case <-ctx.Done():
		}
	}
	for _, r := range conns {
		<-r.done
	}
	select {
	case <-p.dials.ended():
	case <-time.After(p.cfg.Grace):
		p.cfg.Logger.Info("connections are still being opened; they end by themselves within seconds")
	}
	return nil
}

// Wait returns when nothing is left of what Run has started: at once, or, where Run has ended while connections into
// nowhere were being opened, after 5 s (15 s with TLS) at the most. Call it after Run, if at all.
func (p *Poller) Wait() { <-p.dials.ended() }

// running is a connection's goroutine, as its owner sees it.
type running struct {
	stop context.CancelFunc
	done chan struct{}
}

// match ends the connections that nobody needs any more, waits for them, and starts those that are new. The ending
// comes first, so that a controller that has moved is never asked in both places.
func (p *Poller) match(ctx context.Context, conns map[address]*running, a *assignment) {
	for addr, r := range conns {
		if a.devices[addr] == nil {
			r.stop()
		}
	}
	for addr, r := range conns {
		if a.devices[addr] == nil {
			<-r.done
			delete(conns, addr)
		}
	}
	for addr := range a.devices {
		if conns[addr] != nil {
			continue
		}
		own, stop := context.WithCancel(ctx)
		r := &running{stop: stop, done: make(chan struct{})}
		conns[addr] = r
		go func() {
			defer close(r.done)
			defer stop()
			newConn(p, addr).run(own)
		}()
	}
}
