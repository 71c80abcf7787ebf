package alerts

import (
	"math"
	"time"

	"ringwarden/fleet"
)

const (
	silentPolls = iota
	silentMost
)

func controllerSilentDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "controller-silent",
			About:    "the controller has not answered for several polls",
			Subject:  "controller",
			Priority: fleet.Medium,
			OffDelay: 10 * time.Second,
			Thresholds: []fleet.Threshold{
				silentPolls: {
					Name: "polls", Unit: fleet.Plain, Default: 3, Min: 1, Max: 1000,
					Why: "one lost answer is no news, and a retry and a new connection have failed by then (common practice, no source); more where answers are often lost: as many as chance takes away in a row less than once in ten years of a ring, by the share that was lost so far",
				},
				silentMost: {
					Name: "most_polls", Unit: fleet.Plain, Default: 8, Min: 1, Max: 1000,
					Why: "but no more than this many are waited for, however many are lost (common practice, no source)",
				},
			},
		},
		judge: judgeControllerSilent,
		tell:  tellControllerSilent,
	}
}

// answers reports whether the unit answered its newest poll.
func (u *unit) answers(now time.Time) bool {
	p := &u.presence
	return !p.answered.IsZero() && !p.missedAt.After(p.answered) && now.Sub(p.answered) <= u.beat()+patience
}

// silent reports whether the unit missed n polls, or gave no answer for as long as they take.
func (u *unit) silent(n float64, now time.Time) bool {
	for i := range u.streams {
		if float64(u.streams[i].missed) >= n {
			return true
		}
	}
	return now.Sub(latest(u.heardAt(), u.ring.site.awake, u.since)) > time.Duration(n*float64(u.beat()))+patience
}

// A losses says how many polls a controller did not answer although it was there, older ones weighing less.
type losses struct {
	polls, lost float32
}

// answered files an answer after some misses. A long run of them was no chance.
func (l *losses) answered(misses int) {
	if misses > mostSitePolls {
		return
	}
	if l.polls > 20_000 {
		l.polls, l.lost = l.polls/2, l.lost/2
	}
	l.polls += float32(1 + misses)
	l.lost += float32(misses)
}

// missable returns how many polls in a row must be missed, so that the controllers of a ring of which each loses answers
// as this one does, one by one, do so less than once in ten years. Little is known at first: then two in two hundred are
// taken for lost.
func (u *unit) missable() float64 {
	const year, years = 365.25 * 24 * time.Hour, 10
	share := (float64(u.presence.losses.lost) + 2) / (float64(u.presence.losses.polls) + 200)
	polls := float64(year) / float64(max(u.beat(), time.Second)) * years * float64(len(u.ring.units))
	return math.Ceil(math.Log(polls) / -math.Log(share))
}

// heardAt returns when the unit was heard last; before its first answer, when the program began to listen for it.
func (u *unit) heardAt() time.Time {
	if u.presence.answered.IsZero() {
		return latest(u.ring.site.awake, u.since)
	}
	return u.presence.answered
}

func (u *unit) beat() time.Duration {
	if u.presence.beat > 0 {
		return u.presence.beat
	}
	return u.ring.site.beat
}

// judgeControllerSilent gives the site's silence as the explanation where there is one. After the site has come back
// its controllers have a few polls to follow.
func judgeControllerSilent(w asked, now time.Time) finding {
	u, s := w.unit, w.site
	n := w.settings.thresholds[silentPolls]
	if !s.silent { // it is the site's silence otherwise
		n = max(n, min(u.missable(), w.settings.thresholds[silentMost]))
	}
	switch {
	case u.silent(n, now):
		f := finding{verdict: Yes, since: u.heardAt()}
		following := !s.back.IsZero() && now.Sub(s.back) <= time.Duration(n*float64(u.beat()))+2*patience
		if s.silent || following {
			f.because = s.watch.use()
		}
		return f
	case u.answers(now):
		return no
	}
	return unknown
}

func tellControllerSilent(w asked, now time.Time) words {
	u := w.unit
	quiet := now.Sub(u.heardAt())
	last := "last answer " + fleet.Span(quiet) + " ago"
	if u.presence.answered.IsZero() {
		last = "no answer since the program began to listen " + fleet.Span(quiet) + " ago"
	}
	out := w.saying("%s %s: %s, and it is asked every %s", u.name, missedWords(u.presence.missedHow), last, fleet.Span(u.beat()))
	out.figure("quiet", quiet.Seconds(), fleet.Second)
	host := fleet.Line(u.c.Host, "no host")
	switch u.presence.missedHow {
	case fleet.Refused:
		out.advice = "Something answers at " + host + ", so power and network are good there: see whether " + u.name +
			" is busy or starting, whether its gateway reaches it, and whether the unit id and the register map are its own."
	case fleet.Garbled:
		out.advice = "Something answers at " + host + ", so power and network are good there: see whether that is " + u.name +
			" and speaks Modbus TCP, whether two devices have its address, and whether another program asks it at the same time."
	case fleet.Silent:
		out.advice = "Something takes connections at " + host + ", so power and network are good there, but gives no whole answer: see whether " + u.name +
			" has power and shows signs of life, whether its gateway, if it has one, reaches it, and whether the unit id and the port are its own."
	default:
		out.advice = "See whether " + u.name + " has power and shows signs of life; then check its network cable, its gateway if it has one, and the address in the fleet file (" + host + ")."
	}
	return out
}

// missedWords says what a controller does instead of answering.
func missedWords(o fleet.Outcome) string {
	switch o {
	case fleet.Refused:
		return "refuses to be read"
	case fleet.Garbled:
		return "answers with what is no answer"
	}
	return "does not answer"
}

const siteSilentPolls = 0

func siteSilentDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     "site-silent",
			About:    "no controller of the site answers",
			Subject:  "site",
			Priority: fleet.High,
			OffDelay: 10 * time.Second,
			Thresholds: []fleet.Threshold{
				siteSilentPolls: {
					Name: "polls", Unit: fleet.Plain, Default: 3, Min: 1, Max: 1000,
					Why: "as for one controller, for half of the controllers, where each other one that is silent too counts as one more; two for the rest",
				},
			},
		},
		judge: judgeSiteSilent,
		tell:  tellSiteSilent,
	}
}

// mostSitePolls is as for one controller.
const mostSitePolls = 8

// prepare finds out whether the whole site is silent: half of the controllers have been for long enough, and the others,
// which are not all asked at the same instant, for two polls. One lost answer of a controller says nothing about the
// site when an access point has taken all the others with it.
func (s *site) prepare(now time.Time) {
	if s.watch == nil {
		return
	}
	polls := s.watch.settings.thresholds[siteSilentPolls]
	long, all := 0, true
	for _, u := range s.units {
		if u.answers(now) {
			if s.silent {
				s.silent, s.back = false, now
			}
			return
		}
		all = all && u.silent(min(2, polls), now)
		if u.silent(max(polls, min(u.missable(), mostSitePolls)-float64(len(s.units)-1)), now) {
			long++
		}
	}
	s.silent = s.silent || all && 2*long >= len(s.units)
}

func judgeSiteSilent(w asked, now time.Time) finding {
	if w.site.silent {
		var last time.Time
		for _, u := range w.site.units {
			last = latest(last, u.heardAt())
		}
		return finding{verdict: Yes, since: last}
	}
	for _, u := range w.site.units {
		if u.answers(now) {
			return no
		}
	}
	return unknown
}

func tellSiteSilent(w asked, now time.Time) words {
	var last time.Time
	for _, u := range w.site.units {
		last = latest(last, u.heardAt())
	}
	quiet := now.Sub(last)
	out := w.saying("none of the %d controllers answers; the last was heard %s ago", len(w.site.units), fleet.Span(quiet))
	out.figure("quiet", quiet.Seconds(), fleet.Second)
	out.figure("controllers", float64(len(w.site.units)), fleet.Plain)
	out.advice = "Look first at what they share: the site's link to this machine, its router, its power. Charging goes on without the network; what the batteries do is not known meanwhile."
	return out
}
