package alerts

import (
	"time"

	"ringwarden/fleet"
)

// chargeTrack is what is known of how well a ring's bank gets charged.
type chargeTrack struct {
	at        time.Time     // when it was looked at last
	unfilled  time.Duration // listened to since the bank was last full
	unequal   time.Duration // listened to since the bank was last equalized
	full      time.Time     // when it was last seen full; zero: not yet
	equalized time.Time
}

// prepareCharge counts the time in which the ring was heard since it was full. Time in which nobody answered does not
// count: it may have been filled then.
func (r *ring) prepareCharge(now time.Time) {
	c := &r.charge
	passed := now.Sub(c.at)
	first := c.at.IsZero()
	c.at = now
	heard := false
	for _, u := range r.units {
		if !fresh(u.stage.at, u.stage.period, now) {
			continue
		}
		heard = true
		switch u.stage.is {
		case fleet.Float:
			c.full, c.unfilled = now, 0
		case fleet.Equalize:
			c.equalized, c.unequal = now, 0
		}
	}
	if heard && !first && passed > 0 && passed <= time.Hour {
		c.unfilled += passed
		c.unequal += passed
	}
}

const chargeDays = 0

func daysThreshold(name string, days, least, most float64, why string) []fleet.Threshold {
	const day = 86400
	return []fleet.Threshold{chargeDays: {Name: name, Unit: fleet.Second, Default: days * day, Min: least * day, Max: most * day, Why: why}}
}

func noFullChargeDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "no-full-charge", Subject: "ring", Priority: fleet.Medium,
			About:      "the bank has not been full for days, which lead-acid does not bear",
			Thresholds: daysThreshold("after", 10, 0.01, 365, "days in which it was watched: lead-acid should be full every one to two weeks, or it sulphates (common practice, no source)"),
		},
		slow: true,
		judge: func(w asked, _ time.Time) finding {
			return judgeWaited(w, lead(w.ring.f.Bank.Chemistry), w.ring.charge.unfilled, w.ring.charge.full)
		},
		tell: func(w asked, now time.Time) words {
			c := &w.ring.charge
			out := w.saying("no controller has come to float for %s of watching; %s", fleet.Span(c.unfilled), lastTime(c.full, now, "the bank was last full"))
			out.figure("waited", c.unfilled.Seconds(), fleet.Second)
			out.advice = "Save current or run the generator until the bank is full once, and see whether every source gives what it should, the charging targets are right and the absorption time is long enough."
			out.caution = cautionBattery
			return out
		},
	}
}

func equalizeOverdueDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "equalize-overdue", Subject: "ring", Priority: fleet.Low,
			About:      "the flooded cells have not been equalized for months",
			Thresholds: daysThreshold("after", 90, 0.01, 1000, "days in which it was watched: makers of flooded cells ask for one each month to each quarter (common practice, no source); the battery's manual decides"),
		},
		slow: true,
		judge: func(w asked, _ time.Time) finding {
			return judgeWaited(w, w.ring.f.Bank.Chemistry == fleet.FloodedLead, w.ring.charge.unequal, w.ring.charge.equalized)
		},
		tell: func(w asked, now time.Time) words {
			c := &w.ring.charge
			out := w.saying("the flooded cells have not been equalized for %s of watching; %s", fleet.Span(c.unequal), lastTime(c.equalized, now, "they last were"))
			out.figure("waited", c.unequal.Seconds(), fleet.Second)
			out.advice = "Measure the acid's density in every cell; if cells differ by more than the battery's manual allows, equalize as it says, with somebody there."
			out.caution = cautionEqualize
			return out
		},
	}
}

// judgeWaited says yes when a bank for which it matters was watched for longer than the threshold.
func judgeWaited(w asked, matters bool, waited time.Duration, last time.Time) finding {
	switch {
	case !matters:
		return no
	case waited > w.settings.seconds(chargeDays):
		return finding{verdict: Yes, since: last}
	}
	return no
}

// lastTime says when something was last seen.
func lastTime(at, now time.Time, what string) string {
	if at.IsZero() {
		return "it was never seen before"
	}
	return what + " " + fleet.Span(now.Sub(at)) + " ago"
}

// absorptionTrack is how long a controller has held the bank at absorption, since it was last in float or asleep for long.
type absorptionTrack struct {
	at       time.Time     // newest frame with a stage
	held     time.Duration // so far
	total    time.Duration // since it was last in float, nights left out
	whole    bool          // the whole of it was watched
	idleFrom time.Time     // since when it has been idle or off; zero: it is not
	last     time.Duration // how long it was when it last ended in float
	lastOf   time.Time     // first frame of that float; zero: none, or not the whole was watched
}

// longNap is how long a controller must be idle or off until its absorption timer has surely begun anew.
const longNap = 2 * time.Hour

// see files a stage; was is the one of the frame before.
func (t *absorptionTrack) see(was, is fleet.Stage, at time.Time, period time.Duration) {
	passed := at.Sub(t.at)
	known := !t.at.IsZero() && passed <= missable*period+patience
	t.at = at
	t.whole = t.whole && known
	switch {
	case is == fleet.Float:
		if was == fleet.Absorption && t.whole {
			t.last, t.lastOf = t.held+passed, at
		}
		t.held, t.total, t.whole = 0, 0, true
	case !awake(is):
		if t.idleFrom.IsZero() {
			t.idleFrom = at
		}
		if at.Sub(t.idleFrom) > longNap {
			t.held, t.whole = 0, true
		}
		return
	case is == fleet.Absorption && was == fleet.Absorption && known:
		t.held += passed
		t.total += passed
	}
	t.idleFrom = time.Time{}
}

const absorptionLimit = 0

func limitThreshold(name string, seconds, least, most float64, why string) []fleet.Threshold {
	return []fleet.Threshold{absorptionLimit: {Name: name, Unit: fleet.Second, Default: seconds, Min: least, Max: most, Why: why}}
}

func absorptionEndlessDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "absorption-endless", Subject: "controller", Priority: fleet.Medium,
			About:      "the controller holds the bank at absorption for days and does not come to float",
			Thresholds: limitThreshold("longest", 24*3600, 600, 30*86400, "two to four hours are usual, and loads stretch them; as much as a day and a night, over several days and with no float between, is no load (common practice, no source)"),
		},
		slow: true,
		judge: func(w asked, now time.Time) finding {
			u := w.unit
			switch {
			case !fresh(u.stage.at, u.stage.period, now) || u.presence.stands():
				return unknown
			case u.absorption.total > w.settings.seconds(absorptionLimit):
				return finding{verdict: Yes}
			}
			return no
		},
		tell: func(w asked, _ time.Time) words {
			u := w.unit
			out := w.saying("%s has held the bank at absorption for %s, nights left out, and has not come to float since", u.name, fleet.Span(u.absorption.total))
			out.figure("held", u.absorption.total.Seconds(), fleet.Second)
			out.advice = "See how it is set to end absorption, by time or by current, and whether loads take the current that it waits for; a cell with a short keeps the current up as well. Flooded cells lose water meanwhile: look at their level."
			out.caution = cautionBattery
			return out
		},
	}
}

func absorptionBriefDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "absorption-brief", Subject: "controller", Priority: fleet.Low,
			About:      "the controller ended absorption almost at once, by itself, so that the bank is not really full",
			Thresholds: limitThreshold("shortest", 300, 1, 86400, "less is a timer at nought or a current limit that is reached at once, and no charge (common practice, no source)"),
		},
		slow: true, judge: judgeAbsorptionBrief,
		tell: func(w asked, _ time.Time) words {
			u := w.unit
			out := w.saying("%s ended absorption after %s and called the ring to float: the bank is hardly full so soon", u.name, fleet.Span(u.absorption.last))
			out.figure("held", u.absorption.last.Seconds(), fleet.Second)
			out.advice = "See what its absorption time and the current that ends absorption are set to, and whether its voltage reads higher than the bank's posts."
			return out
		},
	}
}

// judgeAbsorptionBrief judges the one who called: a peer that was in float already took this one along, and one that is seen
// there at the same poll, after an absorption long enough to end by itself, may have.
func judgeAbsorptionBrief(w asked, now time.Time) finding {
	u := w.unit
	t := &u.absorption
	const stillThere = 10 * time.Minute // later its peers may have left float for reasons of their own
	switch {
	case t.lastOf.IsZero() || u.stage.is != fleet.Float || !u.stage.first.Equal(t.lastOf) || now.Sub(t.lastOf) > stillThere:
		return unknown
	case t.last >= w.settings.seconds(absorptionLimit):
		return no
	}
	for _, p := range w.ring.calls[0].units {
		if p != u && (p.stage.first.Before(u.stage.first) || p.stage.first.Equal(u.stage.first) && mayHaveCalled(w, p)) {
			return no
		}
	}
	return finding{verdict: Yes, since: u.stage.first}
}

// mayHaveCalled reports whether a peer may have ended an absorption of its own that was not brief.
func mayHaveCalled(w asked, p *unit) bool {
	t := &p.absorption
	switch {
	case p.stage.was == fleet.Bulk:
		return false
	case t.lastOf.Equal(p.stage.first):
		return t.last >= w.settings.seconds(absorptionLimit)
	}
	return true // it was not watched all the time
}

func equalizeOverlongDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "equalize-overlong", Subject: "controller", Priority: fleet.High,
			About:      "the controller has been equalizing for hours",
			Thresholds: limitThreshold("longest", 5*3600, 600, 7*86400, "one to three hours are usual (common practice, no source); it costs water and plates"),
		},
		slow: true,
		judge: func(w asked, now time.Time) finding {
			t := &w.unit.stage
			switch {
			case !fresh(t.at, t.period, now) || w.unit.presence.stands():
				return unknown
			case t.is == fleet.Equalize && now.Sub(t.first) > w.settings.seconds(absorptionLimit):
				return finding{verdict: Yes, since: t.first}
			}
			return no
		},
		tell: func(w asked, now time.Time) words {
			t := &w.unit.stage
			out := w.saying("%s has been equalizing for %s", w.unit.name, fleet.Span(now.Sub(t.first)))
			out.figure("held", now.Sub(t.first).Seconds(), fleet.Second)
			out.advice = "Go there if you can do so safely, and end it as the equipment's manual says; then look at the level of the acid and the temperature of the cells."
			out.caution = cautionEqualize
			return out
		},
	}
}
