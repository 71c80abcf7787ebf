package dashboard

import (
	"strconv"
	"time"

	"ringwarden/fleet"
)

// A testLink is what a cable test has seen of one cable, by the best that its receiver tells: counters, a sampled flag, or
// an age.
type testLink struct {
	by       quantityOf
	polls    int
	answered time.Time // newest answer; zero: none yet
	failed   bool      // the newest poll had no answer

	last         uint64 // readings of the counters
	lastBad      uint64
	good, bad    float64   // frames, or samples of a flag
	heard        time.Time // when the newest frame came, as far as polls show
	first        time.Time // newest answer before the first frame
	age, longest time.Duration
	waits        time.Duration // sum and number of the times between frames
	frames       float64
	silent       bool
	beat         time.Time // when its silence was last told
	spoilt       time.Time // when the newest bad frame came
}

// quantityOf says by what a cable is judged.
type quantityOf uint8

const (
	byNothing quantityOf = iota
	byAge
	byFlag
	byCounters
)

// Limits of silence: a cable is silent when nothing has come for four times as long as usual, and for silentLeast at
// least; as long as nothing usual is known, for silentUnknown. The silence is told again after each beatTime.
const (
	silentLeast   = 1500 * time.Millisecond
	silentUnknown = 5 * time.Second
	beatTime      = time.Second
)

// evidenceIn says what a frame tells of the cable into its controller.
func evidenceIn(l *fleet.Layout) quantityOf {
	has := func(q fleet.Quantity) bool { _, ok := l.Index(q); return ok }
	switch {
	case has(fleet.LinkGood) || has(fleet.LinkBad):
		return byCounters
	case has(fleet.LinkOK):
		return byFlag
	case has(fleet.LinkAge):
		return byAge
	}
	return byNothing
}

// put takes an answer of the receiver and returns what has happened on the cable since the one before.
func (l *testLink) put(f *fleet.Frame, now time.Time) []testEntry {
	if f.Outcome != fleet.Answered || f.Layout == nil {
		l.failed = true
		return nil
	}
	begin := l.answered.IsZero()
	l.by, l.failed = evidenceIn(f.Layout), false
	l.polls++
	var told []testEntry
	came, bad := 0.0, 0.0
	switch l.by {
	case byCounters:
		came, bad = l.count(f, begin)
	case byFlag:
		came, bad = l.sample(f)
	case byAge:
		came = l.older(f, now)
	}
	if bad > 0 && l.by == byCounters {
		l.spoilt = now
		told = append(told, testEntry{sound: "bad", n: int(bad), text: counted(int(bad), "bad frame", "bad frames")})
	}
	l.answered = now
	if begin {
		l.first = now
		return told
	}
	if came > 0 {
		return append(told, l.arrived(came, now)...)
	}
	return append(told, l.quiet(now)...)
}

// count returns how many frames came since the last poll, and how many of them were bad.
func (l *testLink) count(f *fleet.Frame, begin bool) (came, bad float64) {
	if v, ok := f.Value(fleet.LinkGood); ok {
		if !begin {
			came = grown(f.Layout, fleet.LinkGood, l.last, v.Raw)
		}
		l.last = v.Raw
	}
	l.good += came
	if v, ok := f.Value(fleet.LinkBad); ok {
		if !begin {
			bad = grown(f.Layout, fleet.LinkBad, l.lastBad, v.Raw)
		}
		l.lastBad = v.Raw
	}
	l.bad += bad
	return came + bad, bad
}

// sample files a look at a flag. One that is down is silence: nothing says how many frames it stands for.
func (l *testLink) sample(f *fleet.Frame) (came, bad float64) {
	v, ok := f.Number(fleet.LinkOK)
	switch {
	case !ok:
		return 1, 0 // it says nothing, and that is no fault of the cable
	case v != 0:
		l.good++
		return 1, 0
	}
	l.bad++
	return 0, 1
}

// older files an age, and returns whether a frame came since the last one.
func (l *testLink) older(f *fleet.Frame, now time.Time) float64 {
	v, ok := f.Number(fleet.LinkAge)
	if !ok {
		return 1
	}
	age := time.Duration(v * float64(time.Second))
	before := l.age
	l.age, l.longest = age, max(l.longest, age)
	if age > 0 && !l.answered.IsZero() && age >= before+now.Sub(l.answered)/2 {
		return 0 // as old as the one before has become
	}
	return 1
}

// arrived files that something came.
func (l *testLink) arrived(frames float64, now time.Time) (told []testEntry) {
	if !l.heard.IsZero() && !l.silent {
		l.waits += now.Sub(l.heard)
		l.frames += frames
	}
	if l.silent {
		l.silent = false
		told = append(told, testEntry{sound: "back", text: "arrives again, after " + shortly(now.Sub(l.since()))})
	}
	l.heard = now
	return told
}

// shortly writes a time span to the tenth of a second where that is worth something.
func shortly(d time.Duration) string {
	if d < 10*time.Second {
		return fixed(d.Seconds(), 1) + " s"
	}
	return lasted(d)
}

// since returns when something came last, or when the watching began.
func (l *testLink) since() time.Time {
	if l.heard.IsZero() {
		return l.first
	}
	return l.heard
}

// patience is how long nothing may come.
func (l *testLink) patience() time.Duration {
	switch {
	case l.by == byFlag:
		return 0 // the device itself has waited
	case l.frames < 3:
		return silentUnknown
	}
	return max(silentLeast, time.Duration(4*float64(l.waits)/l.frames))
}

// quiet files that nothing came.
func (l *testLink) quiet(now time.Time) []testEntry {
	if l.silent {
		if now.Sub(l.beat) < beatTime {
			return nil
		}
		l.beat = now
		return []testEntry{{sound: "silent"}}
	}
	if now.Sub(l.since()) < l.patience() {
		return nil
	}
	l.silent, l.beat = true, now
	text := "nothing arrives any more"
	if l.by == byFlag {
		text = "the sender is not heard"
	}
	return []testEntry{{sound: "silent", text: text}}
}

// figures are the counts since the beginning, in words.
func (l *testLink) figures() string {
	switch l.by {
	case byCounters:
		text := strconv.Itoa(int(l.good)) + " good, " + strconv.Itoa(int(l.bad)) + " bad"
		if all := l.good + l.bad; all > 0 {
			text += " (" + fixed(100*l.bad/all, 1) + " %)"
		}
		return text
	case byFlag:
		return strconv.Itoa(int(l.good)) + " samples heard, " + strconv.Itoa(int(l.bad)) + " not"
	case byAge:
		return "longest wait for a frame " + lasted(l.longest)
	}
	return "nothing that could be counted"
}
