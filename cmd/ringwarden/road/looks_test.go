package road_test

import (
	"context"
	"io"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/poller"
	"ringwarden/registermap"
	"ringwarden/simulator/modbusserver"
)

// flagOnly tells nothing of a cable but whether the newest frame was good.
const flagOnly = `
format: 1
model: flag only
points:
  heard: {at: discrete 0, quantity: link.ok}
`

// heard is a device whose flag says whether anything comes over its cable.
type heard struct{ cut *atomic.Bool }

func (d heard) ReadRegisters(uint8, uint16, uint16, []uint16) error {
	return modbusserver.IllegalDataAddress
}

func (d heard) ReadBits(_ uint8, _, _ uint16, dst []bool) error {
	dst[0] = !d.cut.Load()
	return nil
}

// hurried hands frames to a road whose clock runs five times as fast as the poller's, and counts the polls of one
// controller since its cable was cut.
type hurried struct {
	*road.Road
	from, to time.Time
	of       fleet.ControllerID
	cut      *atomic.Bool
	polls    atomic.Int32
}

const hurry = 5

func (h *hurried) time(t time.Time) time.Time { return h.to.Add(hurry * t.Sub(h.from)) }

func (h *hurried) Put(f *fleet.Frame) {
	if ordinary := f.At.UnixNano()%int64(realPeriod) == 0; ordinary && f.Controller == h.of && h.cut.Load() {
		h.polls.Add(1)
	}
	c := *f
	c.At = h.time(f.At)
	h.Road.Put(&c)
}

// realPeriod is how often the devices of the test are polled: every ten seconds of the road's clock.
const realPeriod = 2 * time.Second

// A cable is cut at which polls alone would need four samples and more: the daemon's own road, poller and engine call it
// down with the third one at the latest, over real connections.
func TestCutCableIsFoundByLooks(t *testing.T) {
	f, cables := twoFlags(t)
	r := &f.Sites[0].Rings[0]
	engine := alerts.New(f)
	from := time.Now().Truncate(realPeriod)
	now := teach(t, engine, r, time.Date(2031, 6, 1, 6, 0, 0, 0, time.UTC))

	d := &disk{}
	way := road.New(d, engine, time.Hour, slog.New(slog.NewTextHandler(io.Discard, nil)))
	h := &hurried{Road: way, from: from, to: now, of: r.Controllers[1].ID, cut: &cables[1]}
	p := poller.New(poller.Config{Periods: fleet.Periods{Fast: realPeriod}}, h)
	way.LookWith(p)
	m, err := registermap.Parse("flag.yaml", []byte(flagOnly))
	if err != nil {
		t.Fatal(err)
	}
	devices, err := poller.Devices(f, map[string]*registermap.Map{"flag.yaml": m})
	if err != nil {
		t.Fatal(err)
	}
	p.Update(devices, fleet.Periods{Fast: realPeriod})
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { _ = p.Run(ctx) })
	defer done.Wait()
	defer cancel()

	ticker := time.NewTicker(time.Second / hurry)
	defer ticker.Stop()
	carried := func() bool { return way.Carried() >= 4 } // two polls of each, over connections that stand now
	for {
		select {
		case at := <-ticker.C:
			way.Tick(ctx, h.time(at))
		case <-t.Context().Done():
			t.Fatal("the test ended")
		}
		if carried() {
			cables[1].Store(true)
		}
		for _, c := range d.changes {
			if c.Alarm.Kind == "link-down" && c.Alarm.State == fleet.Unacknowledged {
				if got := h.polls.Load(); got > 3 {
					t.Errorf("called down after %d polls, want 3 at most", got)
				}
				if engine.Looked() == 0 {
					t.Error("no look was asked for")
				}
				return
			}
		}
		if h.polls.Load() > 20 {
			t.Fatal("not called down in twenty polls")
		}
	}
}

// twoFlags serves a ring of two controllers behind one gateway, and returns what cuts the cable into each.
func twoFlags(t *testing.T) (*fleet.Fleet, []atomic.Bool) {
	cables := make([]atomic.Bool, 2)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var served sync.WaitGroup
	served.Go(func() {
		_ = modbusserver.Serve(ctx, ln, modbusserver.Config{Device: func(unit uint8) (modbusserver.Device, bool) {
			if unit < 1 || unit > 2 {
				return nil, false
			}
			return heard{&cables[unit-1]}, true
		}})
	})
	t.Cleanup(func() { cancel(); served.Wait() })
	r := fleet.Ring{ID: "mill/north", Name: "North"}
	for i, slug := range []string{"alder", "birch"} {
		r.Controllers = append(r.Controllers, fleet.Controller{
			ID: fleet.ControllerID("mill/north/" + slug), Name: slug, Source: fleet.PV, Host: ln.Addr().String(), Unit: uint8(i + 1), Map: "flag.yaml",
		})
	}
	period := hurry * realPeriod
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: period, Normal: period, Slow: period},
		Sites:   []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC, Rings: []fleet.Ring{r}}},
	}, cables
}

// teach plays some hours in which one sample in fifty is bad, and the look after it good, and returns when they end.
func teach(t *testing.T, e *alerts.Engine, r *fleet.Ring, at time.Time) time.Time {
	point := fleet.Point{Name: "heard", Quantity: fleet.LinkOK, Mul: 1, Div: 1, Bits: 1}
	layout := fleet.NewLayout([]fleet.Point{point})
	put := func(id fleet.ControllerID, good bool) {
		v := fleet.Value{Quality: fleet.Good}
		if good {
			v.Raw, v.Number = 1, 1
		}
		e.Put(&fleet.Frame{Controller: id, At: at, Outcome: fleet.Answered, Layout: layout, Values: []fleet.Value{v}})
	}
	for second := range 4 * 3600 {
		at = at.Add(time.Second)
		if second%10 == 9 {
			for i := range r.Controllers {
				put(r.Controllers[i].ID, (second/10+25*i)%50 != 0)
			}
		}
		for _, c := range e.Advance(at) {
			t.Fatalf("%s on %s in a healthy ring", c.Alarm.Kind, c.Alarm.Subject)
		}
		for _, l := range e.Looks(at) {
			put(l.Controller, true)
		}
	}
	return at
}
