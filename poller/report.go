package poller

import "ringwarden/fleet"

// caughtUp is how many polls in a row a unit must be in time before it counts as keeping up again. Common practice, no
// source; it keeps a unit that skips every other instant from being reported each time.
const caughtUp = 10

// reportSkipped counts skipped instants and logs when they begin and end.
func (c *conn) reportSkipped(s *slot, n int) {
	u := s.unit
	if u.skipped += n; n > 0 {
		if u.skipped == n {
			c.p.cfg.Logger.Warn("polling takes longer than its period; instants are skipped",
				"controller", u.dev.ID, "group", s.group, "period", s.period)
		}
		u.inTime = 0
		return
	}
	if u.inTime++; u.inTime == caughtUp && u.skipped > 0 {
		c.p.cfg.Logger.Info("polling keeps up again", "controller", u.dev.ID, "skipped", u.skipped)
		u.skipped = 0
	}
}

// report logs what has changed for a unit. Failures before its last poll count in fails; of connections arrived has
// told already.
func (c *conn) report(s *slot, fails int) {
	u := s.unit
	log := c.p.cfg.Logger
	switch {
	case u.last == fleet.Refused:
		if s.refusals++; s.refusals == knownDead {
			log.Warn("controller refuses to be read", "controller", u.dev.ID, "host", c.addr.host, "unit", u.dev.Unit,
				"group", s.group, "error", c.err)
		}
		return
	case fails < knownDead && u.fails == knownDead:
		log.Warn("controller does not answer; trying again, more and more rarely", "controller", u.dev.ID,
			"host", c.addr.host, "unit", u.dev.Unit, "outcome", u.last, "error", c.err)
	case fails >= knownDead && u.fails == 0:
		log.Info("controller answers again", "controller", u.dev.ID, "tries", fails)
	}
	s.refusals = 0
}
