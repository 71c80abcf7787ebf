package dashboard_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"ringwarden/dashboard"
	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

const (
	testAPI  = "/api/v1/cabletests/" + wheelhouse
	testPath = "/cabletest/" + wheelhouse
)

// A listener is a watch of links whose frames a test makes up.
type listener struct {
	put   chan func(*fleet.Frame) // one for each watch that begins
	ended chan struct{}
	err   error
}

func (l *listener) watch(ctx context.Context, _ []fleet.ControllerID, put func(*fleet.Frame)) error {
	if l.err != nil {
		return l.err
	}
	l.put <- put
	<-ctx.Done()
	l.ended <- struct{}{}
	return nil
}

// tested returns the pages of the demo's fleet, of which everything was read once, with cable tests that a test makes up.
func tested(t *testing.T, l *listener, change func(*dashboard.Options)) http.Handler {
	t.Helper()
	f, maps := demoFleet(t, nil)
	live := dashboard.NewLive(f)
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		plan := maps[c.Map].Plan(fleet.Fast)
		live.Put(&fleet.Frame{
			Controller: c.ID, Group: fleet.Fast, At: time.Now(), Outcome: fleet.Answered,
			Layout: plan.Layout, Values: make([]fleet.Value, len(plan.Layout.Points)),
		})
		return true
	})
	o := options(&book{})
	o.Live, o.Now = live, time.Now
	o.Act = func(context.Context, dashboard.Action) error { return nil }
	o.CableTests = dashboard.NewCableTests(l.watch, 0)
	if change != nil {
		change(&o)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { o.CableTests.Run(ctx); close(done) }()
	t.Cleanup(func() { cancel(); <-done })
	return dashboard.New(o)
}

// A standing is how a cable test stands, as the API says.
type standing struct {
	Running bool
	Why     string
	Links   []struct {
		ID, State, By string
		Good, Bad     float64
		Silent        bool
	}
}

func testStanding(t *testing.T, h http.Handler) (s standing) {
	t.Helper()
	answer, body := get(t, h, testAPI)
	if err := json.Unmarshal([]byte(body), &s); err != nil || answer.Code != http.StatusOK {
		t.Fatalf("%d %s", answer.Code, body)
	}
	return s
}

func order(t *testing.T, h http.Handler, do string, status int) {
	t.Helper()
	if answer := postJSON(t, h, testAPI, `{"do":"`+do+`"}`); answer.Code != status {
		t.Fatalf("%s: %d, want %d: %s", do, answer.Code, status, answer.Body)
	}
}

// A test ends by itself when its time is over, however many look; and soon after the last one has gone.
func TestCableTestEndsByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &listener{put: make(chan func(*fleet.Frame), 1), ended: make(chan struct{}, 1)}
		h := tested(t, l, nil)
		if testStanding(t, h).Running {
			t.Error("a test runs that nobody began")
		}
		order(t, h, "stop", http.StatusConflict)
		order(t, h, "start", http.StatusNoContent)
		<-l.put
		order(t, h, "start", http.StatusNoContent) // somebody else joins
		for range 29 {
			time.Sleep(20 * time.Second)
			if s := testStanding(t, h); !s.Running {
				t.Fatalf("it ended: %s", s.Why)
			}
		}
		time.Sleep(21 * time.Second)
		<-l.ended
		synctest.Wait()
		if s := testStanding(t, h); s.Running || s.Why != "its time was over" {
			t.Errorf("after ten minutes: %+v", s)
		}
		if len(l.put) != 0 {
			t.Error("the ring was watched twice at once")
		}
		order(t, h, "start", http.StatusNoContent)
		<-l.put
		time.Sleep(33 * time.Second)
		<-l.ended
		synctest.Wait()
		if s := testStanding(t, h); s.Running || s.Why != "nobody looked any more" {
			t.Errorf("half a minute after the last look: %+v", s)
		}
		order(t, h, "start", http.StatusNoContent)
		<-l.put
		order(t, h, "stop", http.StatusNoContent)
		<-l.ended
	})
}

// A watch that cannot be says why.
func TestCableTestThatCannotBe(t *testing.T) {
	l := &listener{err: errors.New("no cable can be watched today")}
	h := tested(t, l, nil)
	order(t, h, "start", http.StatusNoContent)
	eventually(t, h, testPath, "no cable can be watched today")
}

// Layouts of receivers that tell of their cable by counters, a flag, an age.
var (
	counters = fleet.NewLayout([]fleet.Point{
		{Name: "good", Quantity: fleet.LinkGood, Mul: 1, Div: 1, Bits: 16, Counter: true}, {Name: "bad", Quantity: fleet.LinkBad, Mul: 1, Div: 1, Bits: 16, Counter: true},
	})
	flag = fleet.NewLayout([]fleet.Point{{Name: "ok", Quantity: fleet.LinkOK, Mul: 1, Div: 1}})
	age  = fleet.NewLayout([]fleet.Point{{Name: "age", Quantity: fleet.LinkAge, Mul: 1, Div: 1}})
)

func heardFrame(unit string, l *fleet.Layout, values ...float64) *fleet.Frame {
	f := &fleet.Frame{Controller: fleet.ControllerID(wheelhouse + "/" + unit), Outcome: fleet.Answered, At: time.Now(), Layout: l}
	for _, v := range values {
		f.Values = append(f.Values, fleet.Value{Number: v, Raw: uint64(v), Quality: fleet.Good})
	}
	return f
}

// Counters, a flag and an age each tell of bad frames, of silence and of its end, in their own way.
func TestCableTestHears(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &listener{put: make(chan func(*fleet.Frame), 1), ended: make(chan struct{}, 1)}
		h := tested(t, l, nil)
		order(t, h, "start", http.StatusNoContent)
		put := <-l.put
		link := func(i int) string { return testStanding(t, h).Links[i].State }
		good, old := 65530.0, 0.0
		poll := func(arrives, bad, heard float64) {
			good = float64((int(good) + int(arrives)) % 65536) // it wraps on the way
			if old += 0.5; arrives > 0 {
				old = 0.2
			}
			put(heardFrame("south-field", counters, good, bad))
			put(heardFrame("leat-turbine", flag, heard))
			put(heardFrame("ridge-turbine", age, old))
			time.Sleep(500 * time.Millisecond)
		}
		for range 20 {
			poll(1, 3, 1)
		}
		if s := testStanding(t, h); s.Links[0].Good != 19 || s.Links[0].Bad != 0 || s.Links[1].Good != 20 || s.Links[0].By+s.Links[1].By+s.Links[2].By != "countersflagage" {
			t.Errorf("after ten quiet seconds: %+v", s.Links)
		}
		for i := range 3 {
			if link(i) != "good" {
				t.Errorf("link %d is %q, want good", i, link(i))
			}
		}
		poll(1, 5, 1)
		if s := testStanding(t, h); s.Links[0].Bad != 2 || link(0) != "a bad frame just now" {
			t.Errorf("two bad frames: %+v", s.Links[0])
		}
		for range 8 {
			poll(0, 5, 0)
		}
		for i := range 3 {
			if link(i) != "nothing arrives" {
				t.Errorf("link %d is %q after four silent seconds", i, link(i))
			}
		}
		for range 6 {
			poll(1, 5, 1)
		}
		for i := range 3 {
			if link(i) != "good" && i != 1 { // a flag's samples stay counted
				t.Errorf("link %d is %q after it came back", i, link(i))
			}
		}
		_, page := get(t, h, testPath)
		for _, want := range []string{"two bad frames", "nothing arrives any more", "the sender is not heard", "arrives again, after 4.5 s"} {
			if !strings.Contains(page, want) {
				t.Errorf("the log does not say %q", want)
			}
		}
		order(t, h, "stop", http.StatusNoContent)
		<-l.ended
	})
}

// A sender that does not answer explains its silence: that is no cable's fault.
func TestCableTestBlamesNoCableForADeadSender(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &listener{put: make(chan func(*fleet.Frame), 1), ended: make(chan struct{}, 1)}
		h := tested(t, l, nil)
		order(t, h, "start", http.StatusNoContent)
		put := <-l.put
		for i := range 40 {
			n := float64(min(i, 20))
			put(heardFrame("south-field", counters, n, 0))
			if i < 20 {
				put(heardFrame("barn-roof", counters, n, 0))
			} else {
				put(&fleet.Frame{Controller: wheelhouse + "/barn-roof", Outcome: fleet.Silent, At: time.Now()})
			}
			time.Sleep(500 * time.Millisecond)
		}
		s := testStanding(t, h)
		if s.Links[0].State != "nothing arrives, and its sender does not answer" || s.Links[4].State != "its receiver does not answer" {
			t.Errorf("%q and %q", s.Links[0].State, s.Links[4].State)
		}
		order(t, h, "stop", http.StatusNoContent)
		<-l.ended
	})
}

// Maps that tell nothing of any cable are said to, and nothing is begun.
func TestCableTestWithoutEvidence(t *testing.T) {
	l := &listener{put: make(chan func(*fleet.Frame), 1)}
	none := fleet.NewLayout([]fleet.Point{{Name: "volts", Quantity: fleet.BatteryVoltage, Mul: 1, Div: 1}})
	h := tested(t, l, func(o *dashboard.Options) {
		f, _ := demoFleet(t, nil)
		o.Live = dashboard.NewLive(f)
		for _, c := range f.Sites[0].Rings[0].Controllers {
			o.Live.Put(heardFrame(c.ID.Slug(), none, 50))
		}
	})
	if _, body := get(t, h, testPath); !strings.Contains(body, "have neither counters of frames, nor a flag, nor an age") || strings.Contains(body, "test-start") {
		t.Error("the page does not say that nothing can be tested")
	}
	order(t, h, "start", http.StatusConflict)
}

// What was found is kept with the notes of the ring; the answers are as described; and only operators test.
func TestCableTestIsKept(t *testing.T) {
	w := newWorld(t, nil)
	l := &listener{put: make(chan func(*fleet.Frame), 1), ended: make(chan struct{}, 1)}
	h := tested(t, l, func(o *dashboard.Options) { o.Journal = w.journal })
	order(t, h, "start", http.StatusNoContent)
	put := <-l.put
	for n := range 11 {
		put(heardFrame("south-field", counters, float64(n), float64(n/5)))
	}
	_, body := get(t, h, testAPI)
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if err := described(t, h, "/api/v1/cabletests/{site}/{ring}", "get", "200").Validate(v); err != nil {
		t.Errorf("it is not as described: %v", err)
	}
	if answer := postJSON(t, h, testAPI, `{"do":"keep","why":"wiggled both plugs, swapped cables 1 and 3"}`); answer.Code != http.StatusNoContent {
		t.Fatalf("%d %s", answer.Code, answer.Body)
	}
	order(t, h, "break", http.StatusBadRequest)
	notes := w.notes(t)
	if len(notes) != 1 || notes[0].Subject != wheelhouse || !strings.Contains(notes[0].Text, "Barn roof to South field: 10 good, 2 bad (16.7 %)") ||
		!strings.Contains(notes[0].Text, "wiggled both plugs") {
		t.Errorf("kept: %+v", notes)
	}
	ring := &w.fleet.Sites[0].Rings[0]
	if here, there, ok := diagnosis.SwapIn(notes[0], ring); !ok || here != ring.Links()[0].ID || there != ring.Links()[2].ID {
		t.Errorf("SwapIn = %s, %s, %t: the kept note begins no swap test", here, there, ok)
	}
	order(t, h, "stop", http.StatusNoContent)
	<-l.ended
}

func TestOnlyOperatorsTestCables(t *testing.T) {
	l := &listener{}
	h := tested(t, l, func(o *dashboard.Options) { o.Act = nil })
	for _, path := range []string{testAPI, "/live/cabletest?ring=" + wheelhouse} {
		answer, body := get(t, h, path)
		wantProblem(t, answer, body, http.StatusForbidden, "an operator has to do it")
	}
	order(t, h, "start", http.StatusForbidden)
	if answer := post(t, h, "/cabletest", url.Values{"do": {"start"}, "ring": {wheelhouse}}); answer.Code != http.StatusForbidden {
		t.Errorf("by the form: %d", answer.Code)
	}
	if _, body := get(t, h, testPath); !strings.Contains(body, "Only an operator can test cables") || strings.Contains(body, "test-start") {
		t.Error("the page lets anybody test")
	}
	r := httptest.NewRequest(http.MethodGet, "http://localhost/cabletest/nowhere", nil)
	r.Header.Set("Accept", "text/html")
	if answer, _ := ask(t, h, r); answer.Code != http.StatusNotFound {
		t.Errorf("a ring that is not there: %d", answer.Code)
	}
	if _, body := get(t, h, "/cabletest"); !strings.Contains(body, fmt.Sprintf("href=%q", testPath)) {
		t.Error("the rings to choose from lack the only one")
	}
}
