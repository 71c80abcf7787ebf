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
	held      heldTrack
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
	r.prepareHeld(now)
}

// A waiting is about something that a bank needs now and then, and that has not come for days.
type waiting struct {
	kind     fleet.Kind
	priority fleet.Priority
	about    string
	after    fleet.Threshold
	matters  func(*fleet.Bank) bool
	waited   func(*chargeTrack) (since time.Duration, last time.Time) // watched since it came last, and when that was
	text     string                                                   // of how long was waited, and when it came last
	last     string                                                   // what came last
	advice   string
	caution  string
}

// daysAfter is the one threshold of a waiting.
const daysAfter = 0

func days(usual, least, most float64, why string) fleet.Threshold {
	const day = 86400
	return fleet.Threshold{Name: "after", Unit: fleet.Second, Default: usual * day, Min: least * day, Max: most * day, Why: why}
}

func (k waiting) detector() *detector {
	return &detector{
		info: fleet.KindInfo{Kind: k.kind, Subject: "ring", Priority: k.priority, About: k.about, Thresholds: []fleet.Threshold{daysAfter: k.after}},
		slow: true,
		judge: func(w asked, _ time.Time) finding {
			waited, last := k.waited(&w.ring.charge)
			if k.matters(&w.ring.f.Bank) && waited > w.settings.seconds(daysAfter) {
				return finding{verdict: Yes, since: last}
			}
			return no
		},
		tell: func(w asked, now time.Time) words {
			waited, last := k.waited(&w.ring.charge)
			out := w.saying(k.text, fleet.Span(waited), lastTime(last, now, k.last))
			out.figure("waited", waited.Seconds(), fleet.Second)
			out.advice, out.caution = k.advice, k.caution
			return out
		},
	}
}

func noFullChargeDetector() *detector {
	return waiting{
		kind: "no-full-charge", priority: fleet.Medium,
		about:   "the bank has not been full for days, which lead-acid does not bear",
		after:   days(10, 0.01, 365, "days in which it was watched: lead-acid should be full every one to two weeks, or it sulphates (common practice, no source)"),
		matters: func(b *fleet.Bank) bool { return lead(b.Chemistry) },
		waited:  func(c *chargeTrack) (time.Duration, time.Time) { return c.unfilled, c.full },
		text:    "no controller has come to float for %s of watching; %s", last: "the bank was last full",
		advice:  "Save current or run the generator until the bank is full once, and see whether every source gives what it should, the charging targets are right and the absorption time is long enough.",
		caution: cautionBattery,
	}.detector()
}

func equalizeOverdueDetector() *detector {
	return waiting{
		kind: "equalize-overdue", priority: fleet.Low,
		about:   "the flooded cells have not been equalized for months",
		after:   days(90, 0.01, 1000, "days in which it was watched: makers of flooded cells ask for one each month to each quarter (common practice, no source); the battery's manual decides"),
		matters: func(b *fleet.Bank) bool { return b.Chemistry == fleet.FloodedLead },
		waited:  func(c *chargeTrack) (time.Duration, time.Time) { return c.unequal, c.equalized },
		text:    "the flooded cells have not been equalized for %s of watching; %s", last: "they last were",
		advice:  "Measure the acid's density in every cell; if cells differ by more than the battery's manual allows, equalize as it says, with somebody there.",
		caution: cautionEqualize,
	}.detector()
}

// lastTime says when something was last seen.
func lastTime(at, now time.Time, what string) string {
	if at.IsZero() {
		return "it was never seen before"
	}
	return what + " " + fleet.Span(now.Sub(at)) + " ago"
}

const equalizeLongest = 0

func equalizeOverlongDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind: "equalize-overlong", Subject: "controller", Priority: fleet.High,
			About: "the controller has been equalizing for hours",
			Thresholds: []fleet.Threshold{
				equalizeLongest: {Name: "longest", Unit: fleet.Second, Default: 5 * 3600, Min: 600, Max: 7 * 86400, Why: "one to three hours are usual (common practice, no source); it costs water and plates"},
			},
		},
		slow: true,
		judge: func(w asked, now time.Time) finding {
			t := &w.unit.stage
			switch {
			case !fresh(t.at, t.period, now) || w.unit.presence.stands():
				return unknown
			case t.is == fleet.Equalize && now.Sub(t.first) > w.settings.seconds(equalizeLongest):
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
