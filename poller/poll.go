package poller

import (
	"context"
	"errors"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// mostMissed is how many instants of a group can have been skipped for one frame each. More than that was no slow
// device: the clock was set, or the machine slept.
const mostMissed = 100

// againAfter is the wait before a busy device is asked once more.
const againAfter = 200 * time.Millisecond

// regrid puts slots back on the grid that the clock has left them behind, or far ahead of.
func (c *conn) regrid(now time.Time) {
	for _, s := range c.slots {
		ahead := s.next.Sub(now)
		if ahead <= 2*s.period && ahead >= -mostMissed*s.period {
			continue
		}
		c.p.cfg.Logger.Warn("the clock was set or the program stood still; polling goes on at the next instant",
			"controller", s.unit.dev.ID, "group", s.group, "by", -ahead)
		s.next = gridAfter(now, s.period, s.unit.dev.Phase)
	}
}

// serve polls a slot that is due. Of several instants that have passed, only the last is polled.
func (c *conn) serve(ctx context.Context, s *slot, now time.Time) {
	u := s.unit
	f := fleet.Frame{Controller: u.dev.ID, Group: s.group}
	skipped := 0
	for ; s.missed(now); skipped++ {
		f.At, f.Late, f.Outcome = s.next, now.Sub(s.next), fleet.Skipped
		c.p.sink.Put(&f)
		s.next = s.next.Add(s.period)
	}
	c.reportSkipped(s, skipped)
	f.At = s.next
	s.next = s.next.Add(s.period)
	if u.leave(f.At, now) {
		f.Late, f.Outcome = max(0, now.Sub(f.At)), u.last
	} else {
		c.poll(ctx, s, &f)
		c.report(s, u.ended(f.Outcome, time.Now(), c.p.cfg.Backoff))
	}
	c.p.sink.Put(&f)
}

// A poll is one poll under way.
type poll struct {
	conn  *conn
	slot  *slot
	plan  *registermap.Plan // the slot's, less what the device refuses
	begun time.Time         // of the first request; zero: none yet
	data  bool              // some request was answered with data
	retry bool              // one more try on a new connection is left
	again bool              // one more try at a busy device is left
}

// poll asks for everything in a slot's plan and fills in the frame.
func (c *conn) poll(ctx context.Context, s *slot, f *fleet.Frame) {
	p := poll{conn: c, slot: s, plan: s.plan, retry: true, again: true}
	p.plan.Reset(s.values)
	f.Outcome = p.blocks(ctx)
	now := time.Now()
	if p.begun.IsZero() {
		p.begun = now
	}
	f.Late, f.Took = max(0, p.begun.Sub(f.At)), now.Sub(p.begun) // a clock set back makes nothing early
	s.refused = false
	switch {
	case p.data:
		p.learn()
		p.plan.Finish(s.values)
		f.Outcome, f.Layout, f.Values = fleet.Answered, p.plan.Layout, s.values
	case f.Outcome == fleet.Refused:
		s.refused = true
	}
}

// blocks asks for one block after the other. It returns what to call the poll if no data came.
func (p *poll) blocks(ctx context.Context) fleet.Outcome {
	for b := 0; b < len(p.plan.Blocks); {
		if err := p.ready(ctx); err != nil {
			if errors.Is(err, context.Canceled) {
				return fleet.Skipped
			}
			return fleet.Unreachable
		}
		v := p.request(b)
		if !v.keeps() {
			p.conn.close()
		}
		switch {
		case v == data, v == refusal:
			b++
		case v == hole && p.slot.refused && !p.data:
			return fleet.Refused
		case v == hole:
			p.plan = p.plan.Split(b)
		case v == later && p.again:
			p.again = false
			p.conn.sleep(ctx, againAfter)
		case v == later:
			return fleet.Refused
		case v.again() && p.retry:
			p.retry = false
		case v == mismatch, v == babble:
			return fleet.Garbled
		default:
			return fleet.Silent
		}
	}
	return fleet.Refused
}

// ready waits until the next request may be sent: connected, and with the pause that the device wants.
func (p *poll) ready(ctx context.Context) error {
	c, u := p.conn, p.slot.unit
	if err := c.ensure(ctx, u.timeout(c.p.cfg.Timeout, len(c.units) > 1)); err != nil {
		return err
	}
	if !c.asked.IsZero() {
		c.sleep(ctx, u.dev.Map.Pause-time.Since(c.asked))
	}
	return ctx.Err()
}

// request asks for one block and decodes the answer.
func (p *poll) request(b int) verdict {
	c, block := p.conn, p.plan.Blocks[b]
	if p.begun.IsZero() {
		p.begun = time.Now()
	}
	reply := Reply{Block: block}
	unit, port := p.slot.unit.dev.Unit, c.port
	switch block.Table {
	case registermap.Coils, registermap.Discretes:
		reply.Bits, reply.Err = port.bits(unit, block.Table == registermap.Discretes, block.Start, block.Count)
		if reply.Err == nil {
			p.plan.DecodeBits(b, reply.Bits, p.slot.values)
		}
	default:
		reply.Words, reply.Err = port.words(unit, block.Table == registermap.Inputs, block.Start, block.Count)
		if reply.Err == nil {
			p.plan.DecodeRegisters(b, reply.Words, p.slot.values)
		}
	}
	c.asked = time.Now()
	if c.record != nil {
		c.record(reply)
	}
	if reply.Err != nil {
		c.err = reply.Err
	} else {
		p.data = true
	}
	return judge(reply.Err)
}

// learn keeps what the poll has found out about addresses that the device does not have. It is only called where
// other addresses gave data: a device that refuses everything is starting, or is not what its map says.
func (p *poll) learn() {
	if p.plan == p.slot.plan {
		return
	}
	s := p.slot
	s.plan = p.plan
	for _, name := range p.plan.Unreadable() {
		if i, ok := p.plan.Layout.Named(name); ok {
			s.values[i] = fleet.Value{Quality: fleet.Unreadable}
		}
	}
	p.conn.p.cfg.Logger.Warn("the device has no such registers; they are left out until the next reload",
		"controller", s.unit.dev.ID, "group", s.group, "points", p.plan.Unreadable())
}
