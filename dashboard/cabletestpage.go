package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// testStream is where the stream of a cable test is; it lasts, as that of a page does.
const testStream = livePath + "/cabletest"

func (s *server) testPage(v *visit, id fleet.RingID) (*view, error) {
	if id == "" {
		return s.testChoice(v), nil
	}
	site, ring := findRing(v.plan, id)
	if ring == nil {
		return nil, errNoPage
	}
	units := s.Live.glance(ring.Controllers)
	d := &testPage{
		Site: site.Name, SiteLink: "/sites/" + string(site.ID), Ring: ring.Name, RingID: string(id), Path: v.path,
		CablesLink: "/cables/" + string(id), May: v.may, CanKeep: s.Journal != nil, testState: idle(ring, units),
	}
	d.Why = testable(ring, units)
	d.Able = v.may && s.CableTests != nil && d.Why == ""
	if s.CableTests == nil {
		d.Why = "Nothing polls here, so nothing can be tested."
	}
	if v.may { // whoever may not act does not keep a test going either
		if t := s.CableTests.of(id); t != nil {
			d.testState = t.state(0, time.Now(), site.Zone)
			d.Running, d.Ended, d.Seen = !d.Over, d.Over, d.last
			newestFirst(&d.testState)
		}
	}
	d.Live = testStream + "?" + url.Values{"ring": {string(id)}}.Encode()
	return &view{Title: "Cable test, " + ring.Name, Name: "cabletest", Script: "cabletest.js", Data: d}, nil
}

// newestFirst turns the log round and leaves out what is only heard.
func newestFirst(s *testState) {
	var log []logView
	for i := len(s.Log) - 1; i >= 0; i-- {
		if s.Log[i].Text != "" {
			log = append(log, s.Log[i])
		}
	}
	s.Log = log
}

// testChoice lets a reader pick a ring.
func (s *server) testChoice(v *visit) *view {
	d := &testPage{}
	for i := range v.plan.Sites {
		for k := range v.plan.Sites[i].Rings {
			r := &v.plan.Sites[i].Rings[k]
			d.Rings = append(d.Rings, placeChoice{string(r.ID), v.plan.Sites[i].Name + ", ring " + r.Name})
		}
	}
	return &view{Title: "Cable test", Name: "cabletests", Data: d}
}

// testByForm begins, ends or keeps a cable test, then shows its page again.
func (s *server) testByForm(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	id := fleet.RingID(r.PostForm.Get("ring"))
	if status, err := s.actOnTest(r, id, r.PostForm.Get("do"), strings.TrimSpace(r.PostForm.Get("why"))); err != nil {
		s.trouble(w, r, status, err)
		return
	}
	http.Redirect(w, r, "/cabletest/"+string(id), http.StatusSeeOther)
}

// actOnTest does what an operator asks of a ring's cable test. It returns the status of what it answers with.
func (s *server) actOnTest(r *http.Request, id fleet.RingID, do, comment string) (int, error) {
	_, ring := findRing(s.Live.plan(), id)
	switch {
	case s.CableTests == nil:
		return http.StatusNotFound, errors.New("nothing can be tested here")
	case s.Act == nil || !mayAct(r):
		return http.StatusForbidden, fmt.Errorf("%s may look and not test; an operator has to do it", actor(r))
	case ring == nil:
		return http.StatusNotFound, fmt.Errorf("the fleet has no ring %q", id)
	case len(comment) > maxWhy:
		return http.StatusBadRequest, fmt.Errorf("the comment is longer than %d bytes", maxWhy)
	}
	if do == "start" {
		if why := testable(ring, s.Live.glance(ring.Controllers)); why != "" {
			return http.StatusConflict, errors.New(why)
		}
		if _, err := s.CableTests.begin(ring, actor(r)); err != nil {
			return http.StatusServiceUnavailable, err
		}
		return http.StatusOK, nil
	}
	t := s.CableTests.of(id)
	if t == nil {
		return http.StatusConflict, errors.New("no cable test of this ring has been begun")
	}
	switch do {
	case "stop":
		t.ask()
		return http.StatusOK, nil
	case "keep":
		text := t.result(comment)
		if len(text) > store.MaxNote {
			text = text[:store.MaxNote]
		}
		return s.keepNote(r, fleet.Note{At: s.Now(), Subject: fleet.Subject(id), Text: strings.ToValidUTF8(text, "")})
	}
	return http.StatusBadRequest, fmt.Errorf("do=%q is nothing that can be done; start, stop and keep can", do)
}

// testEvents streams a cable test: each event's data is a [testState] with the entries that are new.
func (s *server) testEvents(w http.ResponseWriter, r *http.Request) {
	id := fleet.RingID(r.URL.Query().Get("ring"))
	if s.Act == nil || !mayAct(r) {
		problem(w, http.StatusForbidden, fmt.Sprintf("%s may look and not test; an operator has to do it", actor(r)))
		return
	}
	t := s.CableTests.of(id)
	site, _ := findRing(s.Live.plan(), id)
	if t == nil || site == nil {
		problem(w, http.StatusNotFound, "no cable test of this ring has been begun")
		return
	}
	if !s.seat(w) {
		return
	}
	defer s.viewers.Add(-1)
	t.look(1)
	defer t.look(-1)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	v := &viewer{w: w, control: http.NewResponseController(w)}
	if v.send([]byte("retry: 1000\n\n")) == nil {
		followTest(r, v, t, site.Zone, entryAsked(r))
	}
}

// entryAsked returns the number of the entry that a viewer saw last: as its browser says when it comes back, or as its
// page has it.
func entryAsked(r *http.Request) uint64 {
	text := r.Header.Get("Last-Event-ID")
	if text == "" {
		text = r.URL.Query().Get("after")
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0 // everything that is remembered
	}
	return n
}

// testStep is the least time between two events: what comes within it comes together.
const testStep = 50 * time.Millisecond

// followTest sends what changes until the test is over, the viewer goes, or the daemon stops.
func followTest(r *http.Request, v *viewer, t *cableTest, zone *time.Location, seen uint64) {
	step := time.NewTicker(testStep)
	defer step.Stop()
	stopping := stoppingOf(r.Context())
	for {
		changed := t.change()
		s := t.state(seen, time.Now(), zone)
		seen = s.last
		data, err := json.Marshal(s)
		if err != nil || v.send(fmt.Appendf(nil, "id: %d\ndata: %s\n\n", seen, data)) != nil || s.Over {
			return
		}
		select {
		case <-changed:
		case <-r.Context().Done():
			return
		case <-stopping:
			return
		}
		select {
		case <-step.C:
		case <-r.Context().Done():
			return
		case <-stopping:
			return
		}
	}
}

// change returns a channel that is closed at the next change.
func (t *cableTest) change() <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.changed
}
