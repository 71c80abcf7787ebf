package poller

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A Reply is one request and what came of it: Words of registers, Bits of coils and discrete inputs, or Err.
type Reply struct {
	Block registermap.Block
	Words []uint16
	Bits  []bool
	Err   error
}

// A GroupReading is what one poll of one group gave: the frame, and beside it every request that led to it, in order.
type GroupReading struct {
	Frame      fleet.Frame
	Replies    []Reply
	Unreadable []string // points whose addresses the device refuses
}

// patience is longer than the library's connecting can take.
const patience = 20 * time.Second

// Read polls every group of one device once. It returns an error if the device gave no data at all, together with the
// readings, whose replies tell more. It waits as long as the connecting takes: 5 s for an address that swallows
// everything (15 s with TLS), also after ctx is done, since that cannot be interrupted.
func Read(ctx context.Context, cfg Config, d Device) ([]GroupReading, error) {
	p := New(cfg, nil)
	defer p.Wait()
	own, stop := context.WithCancel(ctx)
	defer stop()
	c := newConn(p, d.address())
	c.patience = patience
	defer c.close()

	u := newUnit(d, fleet.Periods{Fast: time.Hour, Normal: time.Hour, Slow: time.Hour}, time.Now(), nil)
	var (
		readings []GroupReading
		answered bool
	)
	for _, s := range u.slots {
		r := GroupReading{Frame: fleet.Frame{Controller: d.ID, Group: s.group, At: time.Now().UTC()}}
		c.record = func(reply Reply) { r.Replies = append(r.Replies, reply) }
		c.poll(own, s, &r.Frame)
		r.Unreadable = s.plan.Unreadable()
		answered = answered || r.Frame.Outcome == fleet.Answered
		readings = append(readings, r)
	}
	switch {
	case ctx.Err() != nil:
		return readings, ctx.Err()
	case len(u.slots) == 0:
		return nil, fmt.Errorf("reading %s: its map has no points", d.ID)
	case !answered:
		return readings, fmt.Errorf("reading %s at %s, unit %d: %w; check the address, the unit id and the cable",
			d.ID, d.Host, d.Unit, cmp.Or(c.err, errNoData))
	}
	return readings, nil
}

// errNoData is for a device that refused everything without saying why.
var errNoData = errors.New("no data")
