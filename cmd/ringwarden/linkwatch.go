package main

import (
	"context"

	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/poller"
)

// linkWatch lets cable tests watch links through the poller, which alone talks to devices.
func linkWatch(p *poller.Poller) dashboard.LinkWatch {
	return func(ctx context.Context, ids []fleet.ControllerID, put func(*fleet.Frame)) error {
		return p.Watch(ctx, ids, sinkFunc(put))
	}
}

type sinkFunc func(*fleet.Frame)

func (f sinkFunc) Put(frame *fleet.Frame) { f(frame) }
