package notify

import (
	"flag"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"ringwarden/fleet"
)

// An event is one piece of news for one recipient.
type event struct {
	who  string
	key  fleet.AlarmKey
	at   int64 // nanoseconds
	news News
}

// A history is a fleet's life with servers that fail, a disk that fails, and a program that is killed.
type history struct {
	*testing.T
	faults  []string // kept for the property test, which lives outside of the bubble
	fleet   *fleet.Fleet
	store   *memory
	server  *desktop
	network *pipeNet
	desk    *Desk
	stop    func()
	states  map[fleet.AlarmKey]fleet.AlarmState
	pending []fleet.Change // made, and not stored yet
	status  atomic.Int64   // what the server answers
	failing atomic.Bool    // the store
}

func (h *history) faultf(format string, args ...any) {
	h.faults = append(h.faults, fmt.Sprintf(format, args...))
}

// A step is one of a history, with numbers that choose among what it can do.
type step struct {
	what string
	n    []int
}

func drawStep(r *rapid.T) step {
	what := rapid.SampledFrom([]string{"change", "change", "burst", "wait", "wait", "server", "store", "kill"}).Draw(r, "step")
	least, most := 2, 2
	if what == "burst" {
		least, most = 30, 80
	}
	return step{what, rapid.SliceOfN(rapid.IntRange(0, 1000), least, most).Draw(r, "numbers")}
}

// Whatever happens, in any order: what was stored is told to everybody whom it concerns, by one key each, whose content
// never changes; and an end is never told before its beginning. (A digest that is still open may let a later state of
// an alarm stand for the earlier ones.)
func TestAnyHistory(t *testing.T) {
	f := mill()
	secret := secretFile(t, testSecret)
	f.Notify = fleet.Notify{
		Webhooks: []fleet.Webhook{{Name: "desk", URL: "http://desk.example/alarms", SecretFile: secret}, {Name: "own", URL: "http://own.example/", SecretFile: secret}},
		People:   []fleet.Person{{Name: "Maren", Webhook: "own", Quiet: fleet.Quiet{From: 22 * 60, Until: 7 * 60}, QuietUpTo: fleet.Medium}},
		Routes:   []fleet.Route{{To: []string{"desk"}}, {To: []string{"Maren", "desk"}, At: "mill", Least: fleet.Medium}, {To: []string{"Maren"}}},
	}
	if n := flag.Lookup("rapid.checks"); n.Value.String() == n.DefValue {
		_ = n.Value.Set("300") // what goes wrong here takes several things at once
		defer func() { _ = n.Value.Set(n.DefValue) }()
	}
	rapid.Check(t, func(r *rapid.T) {
		steps := rapid.SliceOfN(rapid.Custom(drawStep), 5, 60).Draw(r, "steps")
		var faults []string
		synctest.Test(t, func(t *testing.T) {
			h := &history{T: t, fleet: f, store: &memory{entries: map[string][]byte{}}, states: map[fleet.AlarmKey]fleet.AlarmState{}}
			h.run(steps)
			faults = h.faults
		})
		for _, fault := range faults {
			r.Error(fault)
		}
	})
}

func (h *history) run(steps []step) {
	h.status.Store(200)
	h.server = &desktop{answer: func(*receipt) int { return int(h.status.Load()) }}
	h.network = serve(h.T, h.server)
	h.start()
	defer func() { h.stop() }()
	for _, s := range steps {
		h.do(s)
		h.put()
		synctest.Wait()
	}
	h.status.Store(200)
	h.failing.Store(false)
	h.put()
	h.put() // the first may have failed once more
	time.Sleep(36 * time.Hour)
	h.check()
}

func (h *history) do(s step) {
	switch s.what {
	case "change", "burst":
		for i := 0; i+1 < len(s.n); i += 2 {
			h.change(s.n[i], s.n[i+1])
		}
	case "wait":
		time.Sleep([]time.Duration{time.Second, 30 * time.Second, time.Minute, 5 * time.Minute, 5 * time.Minute, time.Hour, 6 * time.Hour}[s.n[0]%7])
	case "server":
		h.status.Store([]int64{200, 204, 500, 503, 429, 404}[s.n[0]%6])
	case "store":
		h.failing.Store(!h.failing.Load())
	case "kill":
		h.store = h.store.after() // from now on the old desk's disk takes nothing
		h.stop()
		h.start()
		h.pending = nil
	}
}

func (h *history) start() {
	store := h.store
	n := 0
	store.fail = func() (int, bool) { n++; return n % 2, h.failing.Load() }
	h.desk = open(h.T, h.fleet, store, Options{Dial: h.network.dial})
	h.stop = run(h.T, h.desk)
}

// The steps of an alarm that the life cycle knows.
var life = map[fleet.AlarmState][]fleet.AlarmState{
	fleet.AlarmNormal:            {fleet.Unacknowledged, fleet.Suppressed},
	fleet.Unacknowledged:         {fleet.Acknowledged, fleet.ReturnedUnacknowledged, fleet.Suppressed, fleet.Shelved, fleet.AlarmNormal},
	fleet.Acknowledged:           {fleet.AlarmNormal, fleet.Suppressed, fleet.OutOfService},
	fleet.ReturnedUnacknowledged: {fleet.Unacknowledged, fleet.AlarmNormal},
	fleet.Suppressed:             {fleet.Unacknowledged, fleet.AlarmNormal},
	fleet.Shelved:                {fleet.Unacknowledged, fleet.AlarmNormal},
	fleet.OutOfService:           {fleet.Unacknowledged, fleet.AlarmNormal},
}

func (h *history) change(which, what int) {
	n := which % 24
	if n >= 12 {
		n %= 3 // some alarms come and go more than others
	}
	key := fleet.AlarmKey{Kind: "link-down", Subject: fleet.Subject(fmt.Sprintf("%s/north/%d", []string{"mill", "weir"}[n%2], n))}
	from := h.states[key]
	to := life[from][what%len(life[from])]
	time.Sleep(time.Second)
	h.states[key] = to
	h.pending = append(h.pending, change(time.Now(), key, fleet.Priority(n%3), from, to))
}

// put does as the road does: what was refused is put again, with what came since.
func (h *history) put() {
	if len(h.pending) == 0 {
		return
	}
	if err := h.desk.PutChanges(h.Context(), h.pending); err == nil {
		h.pending = nil
	}
}

func (h *history) check() {
	if health := h.desk.Health(); health[0].Waiting+health[1].Waiting != 0 {
		h.faultf("something still waits: %+v", health)
	}
	content := map[string]string{} // by key
	told := map[event]string{}     // the key under which an event was told
	last := map[event]int64{}      // the newest that was told of an alarm to somebody; without at and news
	for _, r := range h.server.receipts() {
		if !r.signed {
			h.faultf("%s is not signed for its time", r.id)
		}
		text := fmt.Sprintf("%+v", r.payload)
		if was, ok := content[r.id]; ok && was != text {
			h.faultf("%s said two things:\n%s\n%s", r.id, was, text)
		}
		_, again := content[r.id]
		content[r.id] = text
		for _, a := range r.payload.Data.Alarms {
			e := event{r.payload.Data.Recipient, fleet.AlarmKey{Kind: a.Kind, Subject: a.Subject}, a.At.UnixNano(), a.News}
			if id, ok := told[e]; ok && id != r.id {
				h.faultf("%+v was told as %s and as %s", e, id, r.id)
			}
			told[e] = r.id
			of := event{who: e.who, key: e.key}
			if !again && e.at < last[of] {
				h.faultf("%+v came after news of %d", e, last[of])
			}
			last[of] = max(last[of], e.at)
		}
	}
	h.checkTold(told, last)
}

// checkTold wants every stored change to have been told, itself or by a later state of the same alarm in a digest.
func (h *history) checkTold(told map[event]string, last map[event]int64) {
	plan := newPlan(h.fleet)
	for i := range h.store.changes {
		c := &h.store.changes[i]
		news, ok := newsOf(c)
		if !ok {
			continue
		}
		newer := slices.ContainsFunc(h.store.changes[i+1:], func(n fleet.Change) bool {
			_, ok := newsOf(&n)
			return ok && n.Alarm.AlarmKey == c.Alarm.AlarmKey && n.At.After(c.At)
		})
		for _, to := range plan.channels(&c.Alarm) {
			e := event{to.Recipient(), c.Alarm.AlarmKey, c.At.UnixNano(), news}
			if _, ok := told[e]; !ok && (!newer || last[event{who: e.who, key: e.key}] <= e.at) {
				h.faultf("%+v was never told", e)
			}
		}
	}
}
