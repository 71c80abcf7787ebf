package dashboard_test

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/store"
)

const millReport = "/reports/fernhollow-mill"

// reported is what the tests read of a report's JSON.
type reported struct {
	From, Until time.Time
	Controllers []struct {
		ID           string
		Rated        float64 `json:"rated_watts"`
		Energy       float64 `json:"energy_joules"`
		Counter      float64 `json:"energy_counter_joules"`
		Yield        float64 `json:"final_yield_hours"`
		Covered      float64
		StageRead    float64            `json:"stage_read"`
		StageSeconds map[string]float64 `json:"stage_seconds"`
	}
	Rings []struct {
		FullDays  []string `json:"full_days"`
		KnownDays int      `json:"known_days"`
		Calls     []struct {
			Stage, Starter    string
			Followed, Missing []string
			HopHigh           float64 `json:"hop_high"`
		}
		Links []struct {
			ID         string
			Good, Bad  *float64 `json:"-"`
			GoodFrames *float64 `json:"good_frames"`
			BadFrames  *float64 `json:"bad_frames"`
			Heard      *float64
			Alarms     int
			Seconds    float64 `json:"alarm_seconds"`
		}
	}
	Alarms struct {
		Raised int
		Kinds  []struct {
			Kind   string
			Raised int
			Stood  float64 `json:"stood_seconds"`
		}
		Longest []struct {
			Kind, Subject string
			From          time.Time
			To            *time.Time
		}
		Standing []struct{ Kind string }
	}
	Notes []struct{ Text string }
}

func readReport(t *testing.T, h http.Handler, query string) reported {
	t.Helper()
	answer, body := get(t, h, "/api/v1/reports/fernhollow-mill"+query)
	var r reported
	if err := json.Unmarshal([]byte(body), &r); err != nil || answer.Code != http.StatusOK {
		t.Fatalf("%d %v: %s", answer.Code, err, body)
	}
	return r
}

// What a report says must be what the store holds: energy by trapezoids over the readings themselves, stages by
// intervals, frames by the counters, calls as they happened.
func TestReportAgainstReadings(t *testing.T) {
	w := newWorld(t, nil)
	w.run(3 * time.Hour)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	w.run(time.Hour)
	h := dashboard.New(w.options())
	act(t, h, "do", "comment", "subject", cutCable, "why", "a mouse")
	r := readReport(t, h, "")

	now := w.clock()
	if r.From.In(w.fleet.Sites[0].Zone).Day() != 1 || !r.Until.Equal(now) {
		t.Errorf("of %v to %v, want the month so far", r.From, r.Until)
	}
	for _, u := range r.Controllers {
		id := fleet.ControllerID(u.ID)
		joules, covered := integral(t, w, id)
		if math.Abs(u.Energy-joules) > 1+joules*1e-6 {
			t.Errorf("%s: %.0f J, want %.0f", id, u.Energy, joules)
		}
		if want := covered.Seconds() / now.Sub(r.From).Seconds(); math.Abs(u.Covered-want) > 1e-6 {
			t.Errorf("%s: %v covered, want %v", id, u.Covered, want)
		}
		if want := u.Energy / 3.6e6 / (u.Rated / 1000); math.Abs(u.Yield-want) > 1e-9 { // IEC 61724-1: final yield, kWh/kW
			t.Errorf("%s: yield %v, want %v", id, u.Yield, want)
		}
		if math.Abs(u.Counter-u.Energy) > 0.02*u.Energy+3.6e5 { // its counter's steps are 0.1 kWh at worst
			t.Errorf("%s: its counter says %.0f J, the report %.0f", id, u.Counter, u.Energy)
		}
		if u.StageSeconds["float"] < 3600 || u.StageRead <= 0 {
			t.Errorf("%s: stages %v", id, u.StageSeconds)
		}
	}
	ring := r.Rings[0]
	if len(ring.FullDays) != 1 || ring.FullDays[0] != now.Format(time.DateOnly) || ring.KnownDays != 1 {
		t.Errorf("full on %v of %d days", ring.FullDays, ring.KnownDays)
	}
	counted := 0
	for _, l := range ring.Links {
		cut := l.ID == cutCable
		if l.GoodFrames != nil {
			counted++
			if *l.GoodFrames <= 0 {
				t.Errorf("%s carried %v frames", l.ID, *l.GoodFrames)
			}
		}
		if cut != (l.Alarms > 0) || cut != (l.Seconds > 0) {
			t.Errorf("%s: %d alarms, stood %v s", l.ID, l.Alarms, l.Seconds)
		}
	}
	if counted < 3 {
		t.Errorf("%d cables are counted", counted)
	}
	if len(r.Notes) != 1 || r.Notes[0].Text != "a mouse" {
		t.Errorf("notes: %+v", r.Notes)
	}
	if r.Alarms.Raised == 0 || len(r.Alarms.Standing) == 0 || len(r.Alarms.Longest) == 0 || r.Alarms.Longest[0].To != nil {
		t.Errorf("alarms: %+v", r.Alarms)
	}

	before := r.Controllers[0].Energy
	w.run(10 * time.Minute) // what was read for the one before is not given for ever
	if after := readReport(t, h, "").Controllers[0].Energy; after <= before {
		t.Errorf("ten minutes later the energy is %.0f J, before %.0f", after, before)
	}
}

// integral is the energy of a controller's readings, by trapezoids over gaps of three periods at most (design: energy).
func integral(t *testing.T, w *world, id fleet.ControllerID) (joules float64, covered time.Duration) {
	t.Helper()
	var at time.Time
	var before float64
	for f, err := range w.journal.Frames(t.Context(), store.Query{Controllers: []fleet.ControllerID{id}}) {
		if err != nil {
			t.Fatal(err)
		}
		v, ok := f.Number(fleet.OutputPower)
		if !ok {
			continue
		}
		if step := f.At.Sub(at); !at.IsZero() && step <= 3*worldPeriod {
			joules += (v + before) / 2 * step.Seconds()
			covered += step
		}
		at, before = f.At, v
	}
	return joules, covered
}

// A day that was not read is not a day without a full charge, and what is missing is said.
func TestReportIsHonestAboutGaps(t *testing.T) {
	w := newWorld(t, nil)
	w.run(2 * time.Hour)
	h := dashboard.New(w.options())
	for path, want := range map[string][]string{
		millReport:                    {"The sources gave the bank", "What is missing is not guessed, so the energy is at least this much.", "All five controllers: 0."},
		millReport + "?month=2020-02": {"Nothing is stored of this time."},
		millReport + "?month=2199-01": {"This time is still to come."},
	} {
		answer, body := get(t, h, path)
		if answer.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, answer.Code)
		}
		for _, text := range want {
			if !strings.Contains(body, text) {
				t.Errorf("%s does not say %q", path, text)
			}
		}
	}
	if _, body := get(t, h, millReport+"?month=2020-02"); strings.Contains(body, "kWh") {
		t.Error("a month without readings has an energy")
	}
}

// Calls are written down once each, with who started and who followed.
func TestCallsAreWrittenDown(t *testing.T) {
	w := newWorld(t, nil)
	w.run(4 * time.Hour)
	r := readReport(t, dashboard.New(w.options()), "")
	calls := r.Rings[0].Calls
	if len(calls) == 0 {
		t.Fatal("no call is written down, although the bank came to float")
	}
	last := calls[len(calls)-1]
	if last.Stage != "float" || last.Starter == "" || len(last.Followed)+len(last.Missing) == 0 {
		t.Errorf("the last call is %+v", last)
	}
	if last.HopHigh < 0 || last.HopHigh > 60 {
		t.Errorf("a hop took up to %v s", last.HopHigh)
	}
	if kept := w.keptCalls(); len(kept) != len(calls) {
		t.Errorf("%d calls are written down, and %d reported", len(kept), len(calls))
	}
}

// keptCalls returns when the calls were that are written down.
func (w *world) keptCalls() []time.Time {
	w.t.Helper()
	var all []time.Time
	for e, err := range w.journal.Entries(w.t.Context(), store.BookCalls, time.Time{}, time.Time{}) {
		if err != nil {
			w.t.Fatal(err)
		}
		all = append(all, e.At)
	}
	return all
}

// A restart while a call is under way neither loses it nor writes it down twice, and nor does one later on.
func TestCallsOutliveARestart(t *testing.T) {
	w := newWorld(t, nil)
	restart := func() {
		w.calls = dashboard.NewCallBook(w.fleet, w.journal, nil)
		w.calls.Recall(w.clock())
	}
	for !strings.Contains(w.stage(barnRoof), "float") {
		w.run(time.Minute)
	}
	restart()
	if n := len(w.keptCalls()); n != 0 {
		t.Fatalf("%d calls are written down before they are over", n)
	}
	w.run(30 * time.Minute)
	if n := len(w.keptCalls()); n != 1 {
		t.Errorf("after a restart %d calls are written down, want 1", n)
	}
	restart()
	w.run(30 * time.Minute)
	if n := len(w.keptCalls()); n != 1 {
		t.Errorf("after another restart %d calls are written down, want 1", n)
	}
}

// stage returns what a controller says that it does.
func (w *world) stage(id string) string {
	_, body := get(w.t.(*testing.T), dashboard.New(w.options()), "/api/v1/controllers/"+id)
	var v struct{ Controller struct{ Stage string } }
	if err := json.Unmarshal([]byte(body), &v); err != nil {
		w.t.Fatal(err)
	}
	return v.Controller.Stage
}

// A month has all its days, also where the clock changes; any other time begins and ends where it was asked for.
func TestReportSpans(t *testing.T) {
	w := newWorld(t, nil) // Europe/Dublin
	h := dashboard.New(w.options())
	type span struct{ From, To time.Time }
	for query, want := range map[string]string{
		"?month=2026-03": "2026-03-01T00:00:00Z 2026-03-31T23:00:00Z", // summer time begins on the 29th
		"?month=2026-10": "2026-09-30T23:00:00Z 2026-11-01T00:00:00Z",
		"?month=2024-02": "2024-02-01T00:00:00Z 2024-03-01T00:00:00Z",
		"?from=2026-06-01T10:03&to=2026-06-01T16:00":         "2026-06-01T09:00:00Z 2026-06-01T15:00:00Z",
		"?from=2026-06-01T10:30:00Z&to=2026-06-09T10:30Z":    "",
		"?from=2026-06-01T10:30:00Z&to=2026-06-09T10:30:00Z": "2026-06-01T10:00:00Z 2026-06-09T11:00:00Z",
		"?from=2026-05-01T12:00&to=2026-06-30T12:00":         "2026-04-30T23:00:00Z 2026-06-30T23:00:00Z",
	} {
		answer, body := get(t, h, "/api/v1/reports/fernhollow-mill"+query)
		var got span
		if err := json.Unmarshal([]byte(body), &got); err != nil {
			t.Fatal(err)
		}
		if want == "" {
			wantProblem(t, answer, body, http.StatusBadRequest, "to=")
			continue
		}
		if is := got.From.Format(time.RFC3339) + " " + got.To.Format(time.RFC3339); is != want {
			t.Errorf("%s is of %s, want %s", query, is, want)
		}
	}
	for query, detail := range map[string]string{
		"?month=2026-13": "month=", "?month=soon": "month=", "?month=0001-01": "month=", "?to=2026-06-01T10:00": "without from",
		"?from=2026-06-01T10:00&to=2026-06-01T10:05": "ten minutes", "?from=2020-06-01T10:00&to=2026-06-01T10:05": "two years",
		"?from=2026-06-02T10:00&to=2026-06-01T10:00": "ten minutes", "?from=%3Cscript%3E": "from=",
	} {
		for _, path := range []string{"/api/v1/reports/fernhollow-mill", millReport} {
			answer, body := get(t, h, path+query)
			wantProblem(t, answer, body, http.StatusBadRequest, detail)
		}
	}
	answer, body := get(t, h, "/api/v1/reports/nowhere")
	wantProblem(t, answer, body, http.StatusNotFound, "nowhere")
}

// After a restart a controller that does not answer is in the report all the same: its readings are stored.
func TestReportOfSilentControllers(t *testing.T) {
	w := newWorld(t, nil)
	w.run(2 * time.Hour)
	before := readReport(t, dashboard.New(w.options()), "")
	o := w.options()
	o.Live = dashboard.NewLive(w.fleet) // has heard nothing
	after := readReport(t, dashboard.New(o), "")
	for i, u := range after.Controllers {
		if u.Energy == 0 || u.Energy != before.Controllers[i].Energy {
			t.Errorf("%s: %.0f J, before the restart %.0f", u.ID, u.Energy, before.Controllers[i].Energy)
		}
	}
	if l := after.Rings[0].Links[0]; l.GoodFrames == nil || *l.GoodFrames == 0 {
		t.Errorf("%s: no frames", l.ID)
	}
}
