package dashboard

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// A cablesJSON is the JSON of /api/v1/cables. What comes of the history is left out until it has been weighed.
type cablesJSON struct {
	At time.Time `json:"at"`
	studyJSON
}

// A studyJSON is what is known of the cables of a ring. Fields may be added; none changes its meaning as long as the path of
// the API says v1.
type studyJSON struct {
	Ring     fleet.RingID  `json:"ring"`
	Links    []linkJSON    `json:"links"`
	Weighed  *weighedJSON  `json:"weighed,omitempty"`
	Suspects []suspectJSON `json:"suspects"`
	Calls    []callJSON    `json:"calls"` // the newest first
	Hop      *hopJSON      `json:"hop,omitempty"`
	Swap     *swapJSON     `json:"swap,omitempty"`
}

type linkJSON struct {
	ID     fleet.LinkID `json:"id"`
	State  string       `json:"state,omitempty"` // now, as people read it; empty: nobody looks, as in a command that reads the history
	Good   *float64     `json:"good_per_second,omitempty"`
	Bad    *float64     `json:"bad_per_second,omitempty"`
	Share  *float64     `json:"bad_share,omitempty"` // 0 to 1, of the last polls
	Change *changedJSON `json:"change,omitempty"`
	Bursts *burstsJSON  `json:"bursts,omitempty"`
	Goes   []goesJSON   `json:"goes_along_with,omitempty"`
}

// A changedJSON is when a share of bad frames changed, with 95 % between earliest and latest.
type changedJSON struct {
	At       time.Time `json:"at"`
	Earliest time.Time `json:"earliest"`
	Latest   time.Time `json:"latest"`
	Before   float64   `json:"share_before"`
	After    float64   `json:"share_after"`
}

type burstsJSON struct {
	Length  float64 `json:"length_seconds"`
	Spacing float64 `json:"spacing_seconds"`
}

type goesJSON struct {
	With string  `json:"with"`
	Rank float64 `json:"rank_correlation"`
	P    float64 `json:"p"`
}

type weighedJSON struct {
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Sound     float64   `json:"sound"`               // probability that nothing is wrong
	Enough    bool      `json:"enough"`              // something is likelier than not, be it that nothing is wrong
	Unreached bool      `json:"unreached,omitempty"` // no unit answers, which is no sign of any of them
	Needs     string    `json:"needs,omitempty"`
	Swap      string    `json:"swap,omitempty"`
}

type suspectJSON struct {
	What        string             `json:"what"`
	How         string             `json:"how,omitempty"`
	Link        fleet.LinkID       `json:"link,omitempty"`
	Unit        fleet.ControllerID `json:"controller,omitempty"`
	Probability float64            `json:"probability"`
	Itself      *float64           `json:"cable_itself,omitempty"` // of a bad cable: that it is the cable and no jack
	Now         fleet.LinkID       `json:"link_now,omitempty"`     // where a swap has carried the cable
	Evidence    []string           `json:"evidence"`
}

type callJSON struct {
	From    time.Time            `json:"from"`
	Stage   string               `json:"stage"`
	Starter fleet.ControllerID   `json:"starter"`
	Sure    float64              `json:"sure"` // probability that the starter is who started it
	Way     []fleet.ControllerID `json:"way"`
	Missing []fleet.ControllerID `json:"missing"`
}

// A hopJSON is how long a call takes from one unit to the next, as learned from some calls.
type hopJSON struct {
	Low   float64 `json:"low_seconds"`
	High  float64 `json:"high_seconds"`
	Calls int     `json:"calls"`
}

type swapJSON struct {
	At       time.Time    `json:"at"`
	Here     fleet.LinkID `json:"here"`
	There    fleet.LinkID `json:"there"`
	Verdict  string       `json:"verdict"`
	Wait     float64      `json:"wait_seconds,omitempty"`
	Sentence string       `json:"sentence"`
}

// ringAsked returns the ring of a request's path; false: it was answered that there is none.
func (s *server) ringAsked(w http.ResponseWriter, r *http.Request) (*fleet.Fleet, *fleet.Site, *fleet.Ring, bool) {
	f := s.Live.plan()
	id := fleet.RingID(r.PathValue("site") + "/" + r.PathValue("ring"))
	site, ring := findRing(f, id)
	if ring == nil {
		problem(w, http.StatusNotFound, fmt.Sprintf("the fleet has no ring %q", id))
	}
	return f, site, ring, ring != nil
}

func (s *server) cables(w http.ResponseWriter, r *http.Request) {
	f, site, ring, ok := s.ringAsked(w, r)
	if !ok {
		return
	}
	standing, err := s.Alarms.Standing(r.Context())
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("reading the alarms that stand: %v", err))
		return
	}
	now := s.Now()
	found := s.Studies.of(site, ring, f.Periods)
	units := s.Live.glance(ring.Controllers)
	j := cablesJSON{now.UTC(), newStudyJSON(ring)}
	for _, l := range ring.Links() {
		k := linkJSON{ID: l.ID, State: linkLine(l, ring, units, standing, now).Word}
		if good, bad, over := units[l.To].link.sum(); over > 0 {
			k.Good, k.Bad = finiteJSON(good/over.Seconds()), finiteJSON(bad/over.Seconds())
			k.Share = finiteJSON(bad / (good + bad))
		}
		if found != nil {
			k.explain(found.why[l.ID])
		}
		j.Links = append(j.Links, k)
	}
	if found != nil && !found.at.IsZero() {
		j.weigh(found)
	}
	answer(w, r, j)
}

func newStudyJSON(ring *fleet.Ring) studyJSON {
	return studyJSON{Ring: ring.ID, Links: []linkJSON{}, Suspects: []suspectJSON{}, Calls: []callJSON{}}
}

// A WeighedRing is a ring with what its stored readings say, of which the first is of the instant From.
type WeighedRing struct {
	Ring    *fleet.Ring
	Weighed *diagnosis.Ring
	From    time.Time
}

// WriteDiagnosis writes what readings say of rings: each in the form of /api/v1/cables, but for what that says of now. It is
// for commands that read a history themselves.
func WriteDiagnosis(w io.Writer, at time.Time, rings []WeighedRing) error {
	answer := struct {
		At    time.Time   `json:"at"`
		Rings []studyJSON `json:"rings"`
	}{at.UTC(), []studyJSON{}}
	for _, r := range rings {
		j := newStudyJSON(r.Ring)
		found := findIn(r.Ring, r.Weighed, r.From)
		for _, l := range r.Ring.Links() {
			k := linkJSON{ID: l.ID}
			k.explain(found.why[l.ID])
			j.Links = append(j.Links, k)
		}
		if !found.at.IsZero() {
			j.weigh(found)
		}
		answer.Rings = append(answer.Rings, j)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(answer)
}

// finiteJSON returns nil for what JSON cannot write.
func finiteJSON(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (k *linkJSON) explain(y diagnosis.Why) {
	if y.Changed {
		k.Change = &changedJSON{y.At.UTC(), y.Low.UTC(), y.High.UTC(), y.Before, y.After}
	}
	if y.Bursts {
		k.Bursts = &burstsJSON{y.Length.Seconds(), y.Spacing.Seconds()}
	}
	for _, a := range y.Associations {
		k.Goes = append(k.Goes, goesJSON{a.With, a.Rank, a.P})
	}
}

func (j *studyJSON) weigh(found *findings) {
	d := &found.diagnosis
	j.Weighed = &weighedJSON{found.from.UTC(), found.at.UTC(), min(d.Sound, 1), d.Enough, d.Unreached, d.Needs, d.Swap}
	for i := range d.Suspects {
		s := &d.Suspects[i]
		k := suspectJSON{s.What.String(), s.How, s.Link, s.Unit, min(s.Probability, 1), nil, s.Now, append([]string{}, s.Evidence...)}
		if s.What == diagnosis.BadCable {
			k.Itself = &s.Itself
		}
		j.Suspects = append(j.Suspects, k)
	}
	for i := range found.calls {
		c := &found.calls[i]
		k := callJSON{c.From.UTC(), c.Stage.String(), c.Starter, c.Sure, []fleet.ControllerID{}, append([]fleet.ControllerID{}, c.Missing...)}
		for _, step := range c.Steps {
			k.Way = append(k.Way, step.Unit)
		}
		j.Calls = append(j.Calls, k)
	}
	if h := found.hop; h.Calls > 0 {
		j.Hop = &hopJSON{h.Low.Seconds(), h.High.Seconds(), h.Calls}
	}
	if t := d.Tested; t != nil {
		j.Swap = &swapJSON{t.At.UTC(), t.Here, t.There, t.Verdict.String(), t.Wait.Seconds(), t.Sentence}
	}
}

// noteByJSON stores a note about a ring or a part of it.
func (s *server) noteByJSON(w http.ResponseWriter, r *http.Request) {
	_, _, ring, ok := s.ringAsked(w, r)
	j := struct {
		Subject fleet.Subject `json:"subject"`
		Text    string        `json:"text"`
		When    *time.Time    `json:"when"`
	}{}
	if !ok || !takes(w, r, "note", &j) {
		return
	}
	n := fleet.Note{Subject: j.Subject, Text: strings.TrimSpace(j.Text)}
	if n.Subject == "" {
		n.Subject = fleet.Subject(ring.ID)
	}
	switch {
	case !n.Subject.Inside(fleet.Subject(ring.ID)):
		problem(w, http.StatusBadRequest, fmt.Sprintf("%q is not inside of %s", n.Subject, ring.ID))
	case len(n.Text) > maxWhy:
		problem(w, http.StatusBadRequest, fmt.Sprintf("the note is longer than %d bytes", maxWhy))
	default:
		s.keepJSONNote(w, r, n, j.When)
	}
}

// swapByJSON stores that two cables of a ring were swapped.
func (s *server) swapByJSON(w http.ResponseWriter, r *http.Request) {
	f, _, ring, ok := s.ringAsked(w, r)
	j := struct {
		Here  fleet.LinkID `json:"here"`
		There fleet.LinkID `json:"there"`
		When  *time.Time   `json:"when"`
	}{}
	if !ok || !takes(w, r, "swap", &j) {
		return
	}
	n, err := swapNote(f, j.Here, j.There)
	switch {
	case err != nil:
		problem(w, http.StatusBadRequest, err.Error())
	case n.Subject != fleet.Subject(ring.ID):
		problem(w, http.StatusBadRequest, fmt.Sprintf("the cables are none of %s", ring.ID))
	default:
		s.keepJSONNote(w, r, n, j.When)
	}
}

func (s *server) keepJSONNote(w http.ResponseWriter, r *http.Request, n fleet.Note, when *time.Time) {
	n.At = s.Now()
	if when != nil {
		n.At = *when
	}
	if status, err := s.keepNote(r, n); err != nil {
		problem(w, status, err.Error())
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
