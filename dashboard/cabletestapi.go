package dashboard

import (
	"net/http"
	"time"

	"ringwarden/fleet"
)

// A cableTestJSON is the JSON of /api/v1/cabletests.
type cableTestJSON struct {
	At      time.Time      `json:"at"` // by the machine's clock, as the test's times
	Ring    fleet.RingID   `json:"ring"`
	Running bool           `json:"running"`
	Began   *time.Time     `json:"began,omitempty"` // left out: there was none since the daemon began
	Ended   *time.Time     `json:"ended,omitempty"`
	Why     string         `json:"why,omitempty"` // it ended
	Who     string         `json:"who,omitempty"` // began it
	Links   []testLinkJSON `json:"links"`
}

type testLinkJSON struct {
	ID     fleet.LinkID `json:"id"`
	State  string       `json:"state"` // as people read it
	By     string       `json:"by"`
	Good   float64      `json:"good"` // frames; of a flag, samples
	Bad    float64      `json:"bad"`
	Silent bool         `json:"silent"`
	Polls  int          `json:"polls"`
}

// testFigures says how the cable test of a ring stands.
func (s *server) testFigures(w http.ResponseWriter, r *http.Request) {
	_, _, ring, ok := s.ringAsked(w, r)
	if !ok {
		return
	}
	if s.Act == nil || !mayAct(r) {
		problem(w, http.StatusForbidden, actor(r)+" may look and not test; an operator has to do it")
		return
	}
	now := time.Now()
	j := cableTestJSON{At: now.UTC(), Ring: ring.ID, Links: []testLinkJSON{}}
	if t := s.CableTests.of(ring.ID); t != nil {
		t.tellJSON(&j, now)
	}
	answer(w, r, j)
}

func (t *cableTest) tellJSON(j *cableTestJSON, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	began := t.began.UTC()
	j.Began, j.Who, j.Why, j.Running = &began, t.who, t.why, t.ended.IsZero()
	if !j.Running {
		ended := t.ended.UTC()
		j.Ended, now = &ended, t.ended
	}
	for i, l := range t.ring.Links() {
		k := &t.links[i]
		j.Links = append(j.Links, testLinkJSON{
			l.ID, t.tile(i, now).Word, [...]string{"nothing", "age", "flag", "counters"}[k.by], k.good, k.bad, k.silent, k.polls,
		})
	}
}

// actOnTestByJSON begins, ends or keeps a cable test.
func (s *server) actOnTestByJSON(w http.ResponseWriter, r *http.Request) {
	_, _, ring, ok := s.ringAsked(w, r)
	j := struct {
		Do  string `json:"do"`
		Why string `json:"why"`
	}{}
	if !ok || !takes(w, r, "action", &j) {
		return
	}
	if status, err := s.actOnTest(r, ring.ID, j.Do, j.Why); err != nil {
		problem(w, status, err.Error())
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
