package dashboard

import (
	"html/template"
	"math"
	"strconv"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

type testPage struct {
	Site, SiteLink, Ring, RingID, Path string
	CablesLink                         string
	May, CanKeep, Able, Running, Ended bool
	Why                                string // nothing can be tested
	Live                               string // address of the stream
	Seen                               uint64 // number of the newest entry of the log
	testState
	Rings []placeChoice // to choose from
}

// A testState is how a cable test stands: what the page shows at first, and what the stream sends.
type testState struct {
	Word  string     `json:"word"`
	Left  string     `json:"left"` // until it ends by itself; empty: it does not go on
	Over  bool       `json:"over"`
	Tiles []tileView `json:"tiles"`
	Log   []logView  `json:"log"` // the newest first on the page; in the stream what is new, the oldest first
	last  uint64
}

// A tileView is one cable of a test.
type tileView struct {
	Name string `json:"-"`
	// Number counts the cables in the order of the ring.
	Number int           `json:"-"`
	Pitch  string        `json:"-"` // Hz
	Class  string        `json:"class"`
	Word   string        `json:"word"`
	Count  string        `json:"count"`
	Rate   string        `json:"rate"`
	Mark   template.HTML `json:"mark"`
}

// A logView is something that was heard; without a text it is heard alone.
type logView struct {
	Number uint64 `json:"number"`
	At     string `json:"at"`
	Link   int    `json:"link"`
	Name   string `json:"name"`
	Text   string `json:"text"`
	Sound  string `json:"sound"`
	N      int    `json:"n"`
}

// steps are the semitones of a scale of five tones: any two of its tones are easily told apart.
var steps = [...]float64{0, 2, 4, 7, 9}

// pitch returns the tone of a cable in Hz: upwards from G4, three octaves at most.
func pitch(i int) float64 {
	i %= 3 * len(steps)
	return 392 * math.Pow(2, (steps[i%len(steps)]+12*float64(i/len(steps)))/12)
}

// state says how a test stands, with the entries after a number.
func (t *cableTest) state(after uint64, now time.Time, zone *time.Location) testState {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := testState{Tiles: []tileView{}, Log: []logView{}, Over: !t.ended.IsZero(), last: t.last}
	if s.Over {
		s.Word = "Ended after " + lasted(t.ended.Sub(t.began).Round(time.Second)) + ": " + t.why + "."
		now = t.ended
	} else {
		s.Word, s.Left = "Under way.", "It ends by itself in "+lasted(t.longest-now.Sub(t.began))+"."
	}
	for i := range t.links {
		s.Tiles = append(s.Tiles, t.tile(i, now))
	}
	links := t.ring.Links()
	for i := range t.entries {
		if e := &t.entries[i]; e.number > after {
			s.Log = append(s.Log, logView{e.number, e.at.In(zone).Format("15:04:05"), e.link, linkName(t.ring, links[e.link]), e.text, e.sound, e.n})
		}
	}
	return s
}

// Limits of what a tile says: for how long it shows a bad frame, from which share on a cable is noisy, and after which time
// without an answer its receiver does not answer.
const (
	spoiltTime  = 2 * time.Second
	noisyFrom   = 0.05
	noisyFrames = 3
	answerLapse = 3 * time.Second
)

// tile says how a cable does. The caller holds mu.
func (t *cableTest) tile(i int, now time.Time) tileView {
	l := &t.links[i]
	link := t.ring.Links()[i]
	w := tileView{Name: linkName(t.ring, link), Number: i + 1, Pitch: fixed(pitch(i), 1), Count: l.figures()}
	state := draw.Silent
	w.Class = "none"
	from, known := t.into[t.ring.Controllers[link.From].ID]
	switch {
	case l.answered.IsZero() && !l.failed:
		w.Word, w.Count = "waiting for the first answer", ""
	case l.lapsed(now):
		w.Word = "its receiver does not answer"
	case l.silent && known && t.links[from].lapsed(now):
		w.Word = "nothing arrives, and its sender does not answer"
	case l.silent:
		w.Word, w.Class, state = "nothing arrives", "high", draw.Alarm
	case !l.spoilt.IsZero() && now.Sub(l.spoilt) < spoiltTime:
		w.Word, w.Class, state = "a bad frame just now", "medium", draw.Warn
	case l.bad >= noisyFrames && l.bad > noisyFrom*(l.good+l.bad):
		w.Word, w.Class, state = "noisy", "medium", draw.Warn
	default:
		w.Word, w.Class, state = "good", "calm", draw.Calm
	}
	w.Mark = draw.Mark(state, 26)
	w.Rate = l.rate(now.Sub(t.began))
	return w
}

// lapsed reports whether the receiver does not answer.
func (l *testLink) lapsed(now time.Time) bool {
	return l.failed || !l.answered.IsZero() && now.Sub(l.answered) > answerLapse
}

// rate says how fast things come, over the whole test.
func (l *testLink) rate(over time.Duration) string {
	if l.answered.IsZero() || over < time.Second {
		return ""
	}
	polls := "asked " + fixed(float64(l.polls)/over.Seconds(), 0) + " times a second"
	if l.by != byCounters {
		return sentenceCase(polls)
	}
	return "Frames: " + perSecond(l.good+l.bad, over) + ", bad ones: " + perSecond(l.bad, over) + "; " + polls
}

// idle is how the tiles look before a test: the cables with their tones.
func idle(ring *fleet.Ring, units []unit) testState {
	s := testState{Word: "Not begun yet.", Tiles: []tileView{}, Log: []logView{}}
	for i, l := range ring.Links() {
		w := tileView{Name: linkName(ring, l), Number: i + 1, Pitch: fixed(pitch(i), 1), Class: "none", Mark: draw.Mark(draw.Silent, 26), Word: tells(&units[l.To])}
		s.Tiles = append(s.Tiles, w)
	}
	return s
}

// tells says by what a cable can be tested.
func tells(to *unit) string {
	best := byNothing
	for g := range to.groups {
		if l := to.groups[g].layout; l != nil {
			best = max(best, evidenceIn(l))
		}
	}
	switch {
	case to.heard.IsZero():
		return "its receiver has not answered yet"
	case best == byNothing:
		return "the map of its receiver tells nothing of this cable"
	}
	return [...]string{"", "tested by the age of the last frame", "tested by a sampled flag", "tested by counters of frames"}[best]
}

// testable says why no cable of a ring can be tested; empty: some can.
func testable(ring *fleet.Ring, units []unit) string {
	if len(ring.Links()) == 0 {
		return "There is no cable in this ring."
	}
	for _, l := range ring.Links() {
		u := &units[l.To]
		if u.heard.IsZero() {
			return "" // it may tell yet
		}
		for g := range u.groups {
			if have := u.groups[g].layout; have != nil && evidenceIn(have) != byNothing {
				return ""
			}
		}
	}
	return "The maps of this ring have neither counters of frames, nor a flag, nor an age for any cable: nothing can be tested. " +
		"See which registers the devices have, and add link.good and link.bad, link.ok or link.age to the maps."
}

// result is a test in words, for a note.
func (t *cableTest) result(comment string) string {
	t.mu.Lock()
	defer t.mu.Unlock()
	over := time.Since(t.began)
	if !t.ended.IsZero() {
		over = t.ended.Sub(t.began)
	}
	text := "Cable test of " + lasted(over.Round(time.Second)) + ". "
	for i, l := range t.ring.Links() {
		if i == mostResults {
			text += "And " + strconv.Itoa(len(t.links)-i) + " more."
			break
		}
		text += linkName(t.ring, l) + ": " + t.links[i].figures() + ". "
	}
	if comment != "" {
		text += comment
	}
	return text
}

// mostResults bounds a result's cables, so that a note of them fits.
const mostResults = 30
