package poller

import (
	"errors"
	"fmt"
	"os"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A Device is one controller as the poller sees it.
type Device struct {
	ID    fleet.ControllerID
	Host  string // host:port; devices with the same one share a connection
	Unit  uint8  // Modbus unit identifier
	TLS   *fleet.TLS
	Map   *registermap.Map
	Phase time.Duration // where in each period its polls fall due; the same for all controllers of a ring
}

func (d *Device) address() address {
	a := address{host: d.Host}
	if d.TLS != nil {
		a.tls = *d.TLS
	}
	return a
}

// Devices returns the devices of a fleet, in the order of its file. Maps are found by [fleet.Controller.Map]. The
// rings' phases are spread over the fast period. A controller without its map, and TLS files that are not there, are
// errors, all of them at once.
func Devices(f *fleet.Fleet, maps map[string]*registermap.Map) ([]Device, error) {
	var (
		devices []Device
		errs    []error
		phases  = make(map[fleet.RingID]time.Duration)
	)
	f.All(func(_ *fleet.Site, r *fleet.Ring, c *fleet.Controller) bool {
		phase, known := phases[r.ID]
		if !known {
			phase = spread(len(phases), f.Periods.Fast)
			phases[r.ID] = phase
		}
		m := maps[c.Map]
		if m == nil {
			errs = append(errs, fmt.Errorf("controller %s: its register map %q is not loaded", c.ID, c.Map))
		}
		if err := present(c.TLS); err != nil {
			errs = append(errs, fmt.Errorf("controller %s: %w", c.ID, err))
		}
		devices = append(devices, Device{ID: c.ID, Host: c.Host, Unit: c.Unit, TLS: c.TLS, Map: m, Phase: phase})
		return true
	})
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	return devices, nil
}

// present checks that TLS files can be read. Whether they fit together is seen at each connecting, since certificates
// are renewed while the daemon runs.
func present(t *fleet.TLS) error {
	if t == nil {
		return nil
	}
	var errs []error
	for _, file := range []string{t.CA, t.Certificate, t.Key} {
		if _, err := os.ReadFile(file); err != nil {
			errs = append(errs, fmt.Errorf("reading a TLS file: %w", err))
		}
	}
	return errors.Join(errs...)
}
