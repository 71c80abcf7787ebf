package main

import (
	"errors"
	"log/slog"
	"sync/atomic"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
)

// openJournal opens the store of a daemon. A damaged one is moved aside, so that the watch goes on with a new one: aside
// is where it is then, else empty. Anything else that is wrong with the file is an error, and the file is left alone.
func openJournal(f *fleet.Fleet, boot store.Boot, calendar *calendar, log *slog.Logger) (journal *store.Store, aside string, err error) {
	calendar.follow(f)
	path, options := f.Store, store.Options{Logger: log, Zone: calendar.zone, Boot: boot}
	journal, err = store.Open(path, options)
	if !errors.Is(err, store.ErrDamaged) {
		return journal, "", err
	}
	why := err
	if aside, err = store.SetAside(path, time.Now()); err != nil {
		return nil, "", errors.Join(why, err)
	}
	log.Error("the store is damaged: it was moved aside and a new one is begun; nothing was deleted", "moved_to", aside, "why", why)
	journal, err = store.Open(path, options)
	return journal, aside, err
}

// reportDamage tells the road what is wrong with what was stored before.
func reportDamage(r *road.Road, journal *store.Store, aside string) {
	st, err := journal.Stat()
	switch {
	case aside != "":
		r.Report(alerts.StoreDamaged, true, "it was found damaged and was moved to "+aside+"; a new one was begun")
	case err == nil && st.Damaged > 0:
		r.Report(alerts.StoreDamaged, true, count(int(min(st.Damaged, 1<<30)), "damaged record was met and is", "damaged records were met and are")+" left out; ringwarden store stat and store verify name them")
	case err == nil:
		r.Report(alerts.StoreDamaged, false, "")
	}
}

// A calendar says whose days a controller's rollups follow, by the fleet file that was read last. The zero value is of no
// fleet.
type calendar struct {
	zones atomic.Pointer[func(fleet.ControllerID) *time.Location]
}

// follow takes the zones of a fleet from now on.
func (c *calendar) follow(f *fleet.Fleet) {
	of := zones(f)
	c.zones.Store(&of)
}

// zone may be called from several goroutines.
func (c *calendar) zone(id fleet.ControllerID) *time.Location {
	if of := c.zones.Load(); of != nil {
		return (*of)(id)
	}
	return nil
}
