package alerts

import (
	"time"

	"ringwarden/fleet"
)

// absorptionTrack is how long a controller has held the bank at absorption.
type absorptionTrack struct {
	at       time.Time     // newest frame with a stage
	held     time.Duration // since it was last in float or asleep for long
	today    time.Duration // on this day of the site, since the ring was last called
	whole    bool          // all that held counts was watched
	idleFrom time.Time     // since when it has been idle or off; zero: it is not
	last     time.Duration // how long it was, at most, when it last ended in float
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
		if charging(was) && t.whole {
			t.last, t.lastOf = t.held+passed, at
		}
		t.held, t.whole = 0, true
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
		t.today += passed
	}
	t.idleFrom = time.Time{}
}

func charging(s fleet.Stage) bool { return s == fleet.Bulk || s == fleet.Absorption }

// heldTrack is on how many days a ring held its bank at absorption for longer than it takes, without a call to float or
// equalize: whichever controller ends its absorption first ends everybody's, so that it takes all of them not to.
type heldTrack struct {
	call    time.Time     // the newest call that was seen
	date    int           // of today at the site: year and day of it
	today   time.Duration // of the controller that held it longest, since midnight or the call
	counted bool          // today is one of the days
	days    int           // since the call
	usual   time.Duration // what today was at the calls, of late
}

// heldForgets is the share by which what is usual goes down at each call that came sooner.
const heldForgets = 1.0 / 8

func (r *ring) prepareHeld(now time.Time) {
	h := &r.charge.held
	local := now.In(r.site.zone)
	if date := local.Year()*1000 + local.YearDay(); date != h.date {
		h.date, h.counted = date, false
		r.forgetHeld()
	}
	if call := latest(r.calls[0].newest, r.calls[1].newest); call.After(h.call) {
		h.call, h.counted, h.days = call, false, 0
		h.usual = max(h.today, h.usual-time.Duration(heldForgets*float64(h.usual-h.today)))
		r.forgetHeld()
	}
	for _, u := range r.units {
		h.today = max(h.today, u.absorption.today)
	}
	s := r.endless.settings
	if !h.counted && h.today > max(s.seconds(heldLongest), time.Duration(s.thresholds[heldBeyond]*float64(h.usual))) {
		h.counted = true
		h.days++
	}
}

func (r *ring) forgetHeld() {
	r.charge.held.today = 0
	for _, u := range r.units {
		u.absorption.today = 0
	}
}

const (
	heldLongest = iota
	heldBeyond
	heldDays
)

func absorptionEndlessDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "absorption-endless", Subject: "ring", Priority: fleet.Medium,
			About: "the bank is held at absorption for most of the day, day after day, and no controller ends it",
			Thresholds: []fleet.Threshold{
				heldLongest: {Name: "longest", Unit: fleet.Second, Default: 4 * 3600, Min: 600, Max: 86400, Why: "by one controller on one day, without float or equalize after it: two to four hours are usual (common practice, no source)"},
				heldBeyond:  {Name: "beyond", Unit: fleet.Ratio, Default: 1.25, Min: 1, Max: 10, Why: "and this many times what was seen to end in float of late: some banks are given more (common practice, no source)"},
				heldDays:    {Name: "days", Unit: fleet.Plain, Default: 2, Min: 1, Max: 60, Why: "with no call between them: one may be a bank that was very empty, or a load that held it back (common practice, no source)"},
			},
		},
		slow: true,
		judge: func(w asked, _ time.Time) finding {
			h := &w.ring.charge.held
			if h.days > 0 && float64(h.days) >= w.settings.thresholds[heldDays] {
				return finding{verdict: Yes}
			}
			return no
		},
		tell: tellAbsorptionEndless,
	}
}

func tellAbsorptionEndless(w asked, now time.Time) words {
	h := &w.ring.charge.held
	longest := w.ring.units[0]
	for _, u := range w.ring.units {
		if u.absorption.today > longest.absorption.today {
			longest = u
		}
	}
	out := w.saying("%s has held the bank at absorption for %s today; it was as long on %s by now without a call to float or equalize between, and %s",
		longest.name, fleet.Span(h.today), fleet.Count(h.days, "day"), lastTime(h.call, now, "the last one was seen"))
	out.figure("held", h.today.Seconds(), fleet.Second)
	out.figure("days", float64(h.days), fleet.Plain)
	out.advice = "See how each controller of the ring is set to end absorption, by time or by current, and whether loads take the current that it waits for; a cell with a short keeps the current up as well. Flooded cells lose water meanwhile: look at their level."
	out.caution = cautionBattery
	return out
}

const briefShortest = 0

func absorptionBriefDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "absorption-brief", Subject: "controller", Priority: fleet.Low,
			About: "the controller ended absorption almost at once, by itself, so that the bank is not really full",
			Thresholds: []fleet.Threshold{
				briefShortest: {Name: "shortest", Unit: fleet.Second, Default: 300, Min: 1, Max: 86400, Why: "less is a timer at nought or a current limit that is reached at once, and no charge (common practice, no source)"},
			},
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

// judgeAbsorptionBrief judges the one who called. Where another one may have called, the end of this one's absorption says
// nothing of its own timer.
func judgeAbsorptionBrief(w asked, now time.Time) finding {
	u := w.unit
	t := &u.absorption
	const stillThere = 10 * time.Minute // later its peers may have left float for reasons of their own
	switch {
	case t.lastOf.IsZero() || u.stage.is != fleet.Float || !u.stage.first.Equal(t.lastOf) || now.Sub(t.lastOf) > stillThere:
		return unknown
	case u.stage.was == fleet.Absorption && t.last >= w.settings.seconds(briefShortest):
		return no
	case t.last >= w.settings.seconds(briefShortest):
		return unknown // it absorbed before, and somebody called it from bulk
	}
	for _, p := range w.ring.units {
		if p != u && w.mayHaveCalled(p, now) {
			return unknown
		}
	}
	return finding{verdict: Yes, since: u.stage.first}
}

// mayHaveCalled reports whether it may have been a peer that called the controller to float. When either of them went there
// is known as an interval.
func (w asked) mayHaveCalled(p *unit, now time.Time) bool {
	u, c := &w.unit.stage, &p.stage
	slack := w.unit.watch[stageSplit].allowance(len(w.ring.units))
	if _, reached := w.ring.hops(p.index, w.unit.index); !reached {
		return false
	}
	switch {
	case !fresh(c.at, c.period, now):
		return p.partakes() // nobody knows
	case c.is != fleet.Float:
		return !c.in[0].Before(u.before.Add(-slack)) // it was there, and has left since
	case !c.before.Before(u.first):
		return false // it followed
	case c.first.Before(u.able):
		return u.first.Sub(u.able) < waking+slack // it was there before this one woke, which may join an old call then
	case c.before.IsZero() || u.was == fleet.Bulk:
		return true // which of the two was first, nobody saw
	case c.was == fleet.Bulk:
		return false
	case p.absorption.lastOf.Equal(c.first) && c.first.Equal(u.first):
		return p.absorption.last >= w.settings.seconds(briefShortest)
	}
	return true
}

// waking is how soon after it woke a controller may join a call of before (common practice, no source).
const waking = 5 * time.Minute
