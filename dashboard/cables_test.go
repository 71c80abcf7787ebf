package dashboard_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"ringwarden/dashboard"
	"ringwarden/diagnosis"
	"ringwarden/fleet"
	"ringwarden/simulator"
	"ringwarden/store"
)

const (
	wheelhouse  = "fernhollow-mill/wheelhouse"
	cablesPath  = "/cables/" + wheelhouse
	noisyLink   = wheelhouse + "/south-field>leat-turbine"
	countedLink = wheelhouse + "/barn-roof>south-field"
	otherLink   = wheelhouse + "/leat-turbine>ridge-turbine"
)

// studied returns the options of a world with somebody who weighs its history until the test ends.
func (w *world) studied(t testing.TB) dashboard.Options {
	t.Helper()
	o := w.options()
	o.Studies = dashboard.NewStudies(w.journal, w.live, w.clock)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { o.Studies.Run(ctx); close(done) }()
	t.Cleanup(func() { cancel(); <-done })
	return o
}

// eventually asks for a page until its answer holds what is wanted: what is in the background comes when it comes.
func eventually(t *testing.T, h http.Handler, path string, want ...string) string {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		_, body := get(t, h, path)
		missing := ""
		for _, w := range want {
			if !strings.Contains(body, w) {
				missing = w
			}
		}
		if missing == "" {
			return body
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s never says %q:\n%s", path, missing, wording(body))
		}
		<-time.After(50 * time.Millisecond)
	}
}

// wording is what a page says, without its pictures and tags.
func wording(body string) string {
	for _, r := range []string{`(?s)<svg.*?</svg>`, `(?s)<head>.*?</head>`, `<[^>]*>`, `\s*\n\s*`} {
		body = regexp.MustCompile(r).ReplaceAllString(body, "\n")
	}
	return body
}

func post(t *testing.T, h http.Handler, path string, form url.Values) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "http://localhost"+path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, _ := ask(t, h, r)
	return answer
}

// A cable that became noisy is named first, with its evidence, since when, and what was counted by the hour.
func TestCablesPageNamesTheNoisyCable(t *testing.T) {
	w := newWorld(t, nil)
	w.run(4 * time.Hour)
	if err := w.sim.Inject(simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.2}); err != nil {
		t.Fatal(err)
	}
	w.run(2 * time.Hour)
	h := dashboard.New(w.studied(t))
	body := eventually(t, h, cablesPath, "Weighed from the readings of", "heat-link-0")
	for _, want := range []string{
		"most likely the cable from Barn roof to South field", "over 99", "worse since", "The share of bad or missing frames went from", "hours are at or above",
		"Its receiver hears the sender", "Nobody has written anything down",
	} {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Before anything is weighed the page is there, at once, and says so; in a fleet without a journal it is as well.
func TestCablesPageBeforeAnythingIsKnown(t *testing.T) {
	w := newWorld(t, nil)
	o := w.options()
	o.Studies = dashboard.NewStudies(w.journal, w.live, w.clock) // nobody runs them
	if answer, body := get(t, dashboard.New(o), cablesPath); answer.Code != http.StatusOK || !strings.Contains(body, "are being weighed") {
		t.Errorf("%d %s", answer.Code, body)
	}
	o.Studies, o.Journal = nil, nil
	if answer, body := get(t, dashboard.New(o), cablesPath); answer.Code != http.StatusOK || strings.Contains(body, `action="/note"`) {
		t.Errorf("%d %s", answer.Code, body)
	}
	eventually(t, dashboard.New(w.studied(t)), cablesPath, "No readings of this ring are stored yet")
}

// What a person writes down stands on the page, with who and where; what makes no sense is refused.
func TestNotesOnTheCablesPage(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Hour)
	h := dashboard.New(w.options())
	for form, status := range map[*url.Values]int{
		{"subject": {countedLink}, "text": {"plug cleaned <b>"}, "back": {cablesPath + "#notes"}}: http.StatusSeeOther,
		{"subject": {countedLink}, "text": {" "}}:                                                 http.StatusBadRequest,
		{"subject": {"nowhere"}, "text": {"x"}}:                                                   http.StatusBadRequest,
		{"subject": {wheelhouse}, "text": {strings.Repeat("x", 600)}}:                             http.StatusBadRequest,
		{"subject": {wheelhouse}, "text": {"x"}, "when": {"2099-01-01T10:00"}}:                    http.StatusBadRequest,
		{"subject": {wheelhouse}, "text": {"x"}, "when": {"soon"}}:                                http.StatusBadRequest,
	} {
		if answer := post(t, h, "/note", *form); answer.Code != status {
			t.Errorf("%v: %d, want %d: %s", *form, answer.Code, status, answer.Body)
		} else if status == http.StatusSeeOther && answer.Header().Get("Location") != cablesPath+"#notes" {
			t.Errorf("it leads to %s", answer.Header().Get("Location"))
		}
	}
	_, body := get(t, h, cablesPath)
	for _, want := range []string{"plug cleaned &lt;b&gt;", "the cable from Barn roof to South field", "by <bdi>somebody at this machine"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// A swap of the noisy cable with a sound one is judged from what is counted before and after: it moved with the cable, or
// stayed with the jacks.
func TestSwapTest(t *testing.T) {
	third := fleet.Subject(wheelhouse + "/ridge-turbine>millers-loft")
	form := url.Values{"here": {countedLink}, "there": {string(third)}}
	note := url.Values{"subject": {wheelhouse}, "text": {"swapped cables 1 and 4"}}
	for _, tt := range []struct {
		name  string
		path  string
		says  url.Values
		after fleet.Subject // where the noise is after the swap
		want  string
		told  string // of the suspect
	}{
		{"cable", "/swap", form, third, "Moved with the cable", "most likely the cable from Barn roof to South field, since the swap from Ridge turbine to Miller"},
		{"jack", "/swap", form, fleet.Subject(countedLink), "Stayed with the jacks", "most likely the out or in jack at the place from Barn roof to South field"},
		{"cable in a note", "/note", note, third, "Moved with the cable", "the swap has told: it moved with the cable"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t, nil)
			noise := simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.2}
			if err := w.sim.Inject(noise); err != nil {
				t.Fatal(err)
			}
			w.run(2 * time.Hour)
			h := dashboard.New(w.studied(t))
			if answer := post(t, h, "/swap", url.Values{"here": {countedLink}, "there": {countedLink}}); answer.Code != http.StatusBadRequest {
				t.Errorf("a cable swapped with itself: %d", answer.Code)
			}
			eventually(t, h, cablesPath, "they look the same from here until the cable is swapped")
			if answer := post(t, h, tt.path, tt.says); answer.Code != http.StatusSeeOther {
				t.Fatalf("%d %s", answer.Code, answer.Body)
			}
			w.sim.Clear(noise.Kind, noise.On)
			noise.On = tt.after
			if err := w.sim.Inject(noise); err != nil {
				t.Fatal(err)
			}
			w.run(20 * time.Second)
			body := eventually(t, h, cablesPath, "Not yet known")
			if !strings.Contains(body, "what the swap shows is not yet known for sure, wait about ") {
				t.Error("the suspect does not say how long to wait")
			}
			if tt.path == "/swap" && !strings.Contains(body, "Swapped the cable from Barn roof to South field and the cable from Ridge turbine to Miller") {
				t.Error("the note of the swap is not on the page in people's words")
			}
			w.run(time.Hour)
			eventually(t, h, cablesPath, tt.want, tt.told)
		})
	}
}

// The page in every size and colour.
func TestCablesInABrowser(t *testing.T) {
	script := axe(t)
	w := newWorld(t, nil)
	w.run(3 * time.Hour)
	if err := w.sim.Inject(simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.2}); err != nil {
		t.Fatal(err)
	}
	w.run(2 * time.Hour)
	if err := w.Pull(otherLink); err != nil {
		t.Fatal(err)
	}
	w.run(time.Hour)
	o := w.studied(t)
	h := dashboard.New(o)
	post(t, h, "/swap", url.Values{"here": {countedLink}, "there": {wheelhouse + "/ridge-turbine>millers-loft"}})
	w.run(30 * time.Second)
	eventually(t, h, cablesPath, "Not yet known", "heat-link-0")
	origin := serve(t, o)
	b := openBrowser(t, origin)
	for _, width := range []int64{390, 1440} {
		for _, scheme := range []string{"light", "dark"} {
			what := fmt.Sprintf("cables-%d-%s", width, scheme)
			b.look(width, scheme)
			b.do(chromedp.Navigate(origin + cablesPath))
			if over := evaluate[float64](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
				t.Errorf("%s: the page is %v px wider than the window", what, over)
			}
			b.accessible(what, script)
			b.shoot(what)
			b.check(what)
		}
	}
}

// The API says the same as the page, as its description says; what it is told it stores.
func TestCablesAPI(t *testing.T) {
	w := newWorld(t, nil)
	w.run(2 * time.Hour)
	if err := w.sim.Inject(simulator.Fault{Kind: simulator.NoisyLink, On: fleet.Subject(countedLink), Share: 0.2}); err != nil {
		t.Fatal(err)
	}
	w.run(time.Hour)
	h := dashboard.New(w.studied(t))
	const path = "/api/v1/cables/" + wheelhouse
	for body, status := range map[string]int{
		`{"text":"a plug cleaned"}`: 204, `{"text":""}`: 400, `{"text":"x","subject":"fernhollow-mill"}`: 400, `{"words":"x"}`: 400,
		`{"text":"x","when":"2099-01-01T00:00:00Z"}`: 400, `{"text":"` + strings.Repeat("x", 501) + `"}`: 400,
	} {
		if answer := postJSON(t, h, path+"/notes", body); answer.Code != status {
			t.Errorf("%s: %d, want %d: %s", body, answer.Code, status, answer.Body)
		}
	}
	for body, status := range map[string]int{
		`{"here":"` + countedLink + `","there":"` + otherLink + `"}`: 204, `{"here":"` + countedLink + `"}`: 400, `{"here":"a/b/c>d","there":"a/b/d>e"}`: 400,
	} {
		if answer := postJSON(t, h, path+"/swaps", body); answer.Code != status {
			t.Errorf("%s: %d, want %d: %s", body, answer.Code, status, answer.Body)
		}
	}
	w.run(5 * time.Minute)
	body := eventually(t, h, path, `"verdict"`, `"weighed"`, `"change"`)
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if err := described(t, h, "/api/v1/cables/{site}/{ring}", "get", "200").Validate(v); err != nil {
		t.Errorf("it is not as described: %v", err)
	}
	var j struct {
		Suspects []struct {
			Link        string
			Probability float64
		}
	}
	if err := json.Unmarshal([]byte(body), &j); err != nil || len(j.Suspects) == 0 || j.Suspects[0].Link != countedLink || j.Suspects[0].Probability < 0.9 {
		t.Errorf("suspects are %+v, %v", j.Suspects, err)
	}
	wantStudy(t, w, described(t, h, "/api/v1/cables/{site}/{ring}", "get", "200"))
	answer, text := get(t, h, "/api/v1/cables/nowhere/none")
	wantProblem(t, answer, text, http.StatusNotFound, "nowhere/none")
	if n := len(w.notes(t)); n != 2 {
		t.Errorf("%d notes are stored, want 2", n)
	}
}

// notes returns what people wrote.
func (w *world) notes(t *testing.T) []fleet.Note {
	t.Helper()
	var all []fleet.Note
	for n, err := range w.journal.Notes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, n)
	}
	return all
}

func postJSON(t *testing.T, h http.Handler, path, body string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "http://localhost"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	answer, _ := ask(t, h, r)
	return answer
}

// wantStudy holds what commands print of a history against the description of the API, of which it has all but the time.
func wantStudy(t *testing.T, w *world, cables *jsonschema.Schema) {
	t.Helper()
	site := &w.fleet.Sites[0]
	weighed := diagnosis.New(&site.Rings[0], w.fleet.Periods)
	weighed.Zone = site.Zone
	first := time.Time{}
	for f, err := range w.journal.Frames(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if first.IsZero() {
			first = f.At
		}
		if f.Controller.Ring() == site.Rings[0].ID {
			weighed.Put(&f)
		}
	}
	var out bytes.Buffer
	if err := dashboard.WriteDiagnosis(&out, first, []dashboard.WeighedRing{{Ring: &site.Rings[0], Weighed: weighed, From: first}}); err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(&out)
	if err != nil {
		t.Fatal(err)
	}
	rings := v.(map[string]any)["rings"].([]any)
	ring := rings[0].(map[string]any)
	if len(rings) != 1 || ring["weighed"] == nil || len(ring["suspects"].([]any)) == 0 {
		t.Fatalf("it says %v", v)
	}
	ring["at"] = first.Format(time.RFC3339)
	if err := cables.Validate(ring); err != nil {
		t.Errorf("what a command prints of a ring is not as described: %v", err)
	}
}
