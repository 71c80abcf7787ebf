package dashboard

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"ringwarden/fleet"
)

// A report is the JSON of /api/v1/alarms. Instants are RFC 3339 in UTC. Fields may be added; none changes its
// meaning as long as the path says v1.
type report struct {
	At       time.Time    `json:"at"` // the daemon's clock when it answered
	Standing []alarmJSON  `json:"standing"`
	Changes  []changeJSON `json:"changes,omitempty"` // with ?past, oldest first
	// Omitted is how many changes were left out because there were more than maxChanges; the newest are there.
	Omitted int `json:"omitted,omitempty"`
}

type alarmJSON struct {
	Kind     fleet.Kind    `json:"kind"`
	Subject  fleet.Subject `json:"subject"`
	State    string        `json:"state"`
	Priority string        `json:"priority"`
	Since    time.Time     `json:"since"`
	Raised   time.Time     `json:"raised"`
	Until    *time.Time    `json:"until,omitempty"` // shelved or out of service: when that ends
	Text     string        `json:"text"`
	Advice   string        `json:"advice,omitempty"`
	Caution  string        `json:"caution,omitempty"`
	Figures  []figureJSON  `json:"figures,omitempty"`
}

type figureJSON struct {
	Name  string     `json:"name"`
	Value *float64   `json:"value"` // null: not a finite number, which JSON cannot write
	Unit  fleet.Unit `json:"unit,omitempty"`
}

type changeJSON struct {
	At    time.Time `json:"at"`
	From  string    `json:"from"`
	Who   string    `json:"who,omitempty"`
	Why   string    `json:"why,omitempty"`
	Alarm alarmJSON `json:"alarm"`
}

// maxChanges bounds an answer: what a person can look through, and some tens of megabytes at worst.
const maxChanges = 10_000

// WriteJSON writes alarms, and changes if there are any, in the form of /api/v1/alarms. It is for commands that read a
// database themselves; the most urgent alarm comes first.
func WriteJSON(w io.Writer, at time.Time, standing []fleet.Alarm, changes []fleet.Change) error {
	answer := newReport(at, standing)
	for i := range changes {
		answer.Changes = append(answer.Changes, toChangeJSON(&changes[i]))
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(answer)
}

func newReport(at time.Time, standing []fleet.Alarm) report {
	slices.SortStableFunc(standing, fleet.ByUrgency)
	r := report{At: at.UTC(), Standing: make([]alarmJSON, len(standing))}
	for i := range standing {
		r.Standing[i] = toAlarmJSON(&standing[i])
	}
	return r
}

func (s *server) alarms(w http.ResponseWriter, r *http.Request) {
	now := s.Now()
	past, err := parsePast(r, now)
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	standing, err := s.Alarms.Standing(r.Context())
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("reading the alarms that stand: %v", err))
		return
	}
	answer := newReport(now, standing)
	if !past.IsZero() {
		if err := s.addChanges(r, &answer, past, now); err != nil {
			problem(w, http.StatusInternalServerError, fmt.Sprintf("reading the changes of alarms: %v", err))
			return
		}
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(answer) // a reader that has gone needs no answer
}

// addChanges gathers before anything is sent: no read transaction may wait for a slow network.
func (s *server) addChanges(r *http.Request, answer *report, from, now time.Time) error {
	var newest []changeJSON // a circle once it is full
	n := 0
	for c, err := range s.Alarms.Changes(r.Context(), from, now.Add(time.Nanosecond)) {
		if err != nil {
			return err
		}
		if len(newest) < maxChanges {
			newest = append(newest, toChangeJSON(&c))
		} else {
			newest[n%maxChanges] = toChangeJSON(&c)
		}
		n++
	}
	if answer.Omitted = n - len(newest); answer.Omitted > 0 {
		oldest := n % maxChanges
		newest = append(newest[oldest:len(newest):len(newest)], newest[:oldest]...)
	}
	answer.Changes = newest
	return nil
}

// parsePast reads ?past: an instant, or how long ago.
func parsePast(r *http.Request, now time.Time) (time.Time, error) {
	text := r.URL.Query().Get("past")
	if text == "" {
		if r.URL.Query().Has("past") {
			return time.Time{}, fmt.Errorf("past is empty; write a time span such as 24h or 7d, or an instant such as 2026-03-01T00:00:00Z")
		}
		return time.Time{}, nil
	}
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	if days, ok := strings.CutSuffix(text, "d"); ok {
		if n, err := strconv.ParseUint(days, 10, 16); err == nil {
			return now.AddDate(0, 0, -int(n)), nil
		}
	}
	if ago, err := time.ParseDuration(text); err == nil && ago >= 0 {
		return now.Add(-ago), nil
	}
	return time.Time{}, fmt.Errorf("past=%q is neither a time span such as 24h or 7d nor an instant such as 2026-03-01T00:00:00Z", text)
}

func toAlarmJSON(a *fleet.Alarm) alarmJSON {
	j := alarmJSON{
		Kind: a.Kind, Subject: a.Subject, State: a.State.String(), Priority: a.Priority.String(),
		Since: a.Since.UTC(), Raised: a.Raised.UTC(), Text: a.Text, Advice: a.Advice, Caution: a.Caution,
	}
	if !a.Until.IsZero() {
		until := a.Until.UTC()
		j.Until = &until
	}
	for _, f := range a.Figures {
		value := &f.Value
		if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) {
			value = nil
		}
		j.Figures = append(j.Figures, figureJSON{f.Name, value, f.Unit})
	}
	return j
}

func (j *alarmJSON) alarm() (fleet.Alarm, error) {
	state, ok := fleet.ParseAlarmState(j.State)
	if !ok {
		return fleet.Alarm{}, fmt.Errorf("the daemon knows an alarm state %q that this program does not; use the same version of both", j.State)
	}
	priority, ok := fleet.ParsePriority(j.Priority)
	if !ok {
		return fleet.Alarm{}, fmt.Errorf("the daemon knows a priority %q that this program does not; use the same version of both", j.Priority)
	}
	a := fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: j.Kind, Subject: j.Subject}, State: state, Priority: priority,
		Since: j.Since, Raised: j.Raised, Text: j.Text, Advice: j.Advice, Caution: j.Caution,
	}
	if j.Until != nil {
		a.Until = *j.Until
	}
	for _, f := range j.Figures {
		value := math.NaN()
		if f.Value != nil {
			value = *f.Value
		}
		a.Figures = append(a.Figures, fleet.Figure{Name: f.Name, Value: value, Unit: f.Unit})
	}
	return a, nil
}

func toChangeJSON(c *fleet.Change) changeJSON {
	return changeJSON{At: c.At.UTC(), From: c.From.String(), Who: c.Who, Why: c.Why, Alarm: toAlarmJSON(&c.Alarm)}
}

func (j *changeJSON) change() (fleet.Change, error) {
	from, ok := fleet.ParseAlarmState(j.From)
	if !ok {
		return fleet.Change{}, fmt.Errorf("the daemon knows an alarm state %q that this program does not; use the same version of both", j.From)
	}
	alarm, err := j.Alarm.alarm()
	return fleet.Change{At: j.At, From: from, Alarm: alarm, Who: j.Who, Why: j.Why}, err
}
