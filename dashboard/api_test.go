package dashboard_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"ringwarden/dashboard"
)

const barnRoof = "fernhollow-mill/wheelhouse/barn-roof"

// described returns the schema that the served OpenAPI document gives for an answer.
func described(t *testing.T, h http.Handler, path, method, status string) *jsonschema.Schema {
	t.Helper()
	_, body := get(t, h, "/api/v1/openapi.json")
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020) // OpenAPI 3.1.0, section 4.8.24: a schema object is one of this draft
	if err := c.AddResource("http://localhost/openapi.json", doc); err != nil {
		t.Fatal(err)
	}
	escape := strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D").Replace
	s, err := c.Compile("http://localhost/openapi.json#/paths/" + escape(path) + "/" + method + "/responses/" + status + "/content/" + escape("application/json") + "/schema")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// What the daemon answers is what its own OpenAPI document says.
func TestAnswersFitTheirDescription(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Hour)
	if err := w.Pull("fernhollow-mill/wheelhouse/south-field>leat-turbine"); err != nil {
		t.Fatal(err)
	}
	w.run(10 * time.Minute)
	h := dashboard.New(w.options())
	for path, at := range map[string]string{
		"/api/v1/sites": "/api/v1/sites", "/api/v1/controllers": "/api/v1/controllers", "/api/v1/controllers?site=fernhollow-mill": "/api/v1/controllers",
		"/api/v1/controllers/" + barnRoof: "/api/v1/controllers/{site}/{ring}/{controller}", "/api/v1/alarms?past=1d": "/api/v1/alarms",
		"/api/v1/reports/fernhollow-mill": "/api/v1/reports/{site}",
	} {
		answer, body := get(t, h, path)
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
		if answer.Code != http.StatusOK || err != nil {
			t.Fatalf("%s: %d %v", path, answer.Code, err)
		}
		if err := described(t, h, at, "get", "200").Validate(v); err != nil {
			t.Errorf("%s is not as described: %v", path, err)
		}
		if !bytes.Contains([]byte(body), []byte("fernhollow-mill")) {
			t.Errorf("%s says nothing: %s", path, body)
		}
	}
	// A description that takes anything would prove nothing.
	if described(t, h, "/api/v1/sites", "get", "200").Validate(map[string]any{"at": "x"}) == nil {
		t.Error("the description takes an answer without sites")
	}
}

// Bad questions get a problem of RFC 9457 that says what was wrong.
func TestBadQuestionsGetProblems(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Minute)
	h := dashboard.New(w.options())
	for path, want := range map[string]struct {
		status int
		detail string
	}{
		"/api/v1/controllers?site=nowhere": {404, "nowhere"}, "/api/v1/controllers/a/b/c": {404, "a/b/c"}, "/nowhere": {404, "/nowhere"},
		"/sites/nowhere": {404, "nowhere"}, "/controllers/x": {404, "/controllers/x"}, "/static/none": {404, "none"},
		"/controllers/" + barnRoof + "?past=5y":             {400, "past="},
		"/controllers/" + barnRoof + "?point=none":          {400, "none"},
		"/controllers/" + barnRoof + "?from=x":              {400, "from="},
		"/curves/" + barnRoof + "?point=none":               {404, "none"},
		"/curves/" + barnRoof + "?point=power_out&past=ten": {400, "past="},
		"/live": {400, "page"}, "/live?page=/nowhere": {404, "no such page"},
	} {
		answer, body := get(t, h, path)
		wantProblem(t, answer, body, want.status, want.detail)
	}
	for body, status := range map[string]int{
		`{`: 400, `[]`: 400, `{"do":"acknowledge"}`: 400, `{"do":"write","subject":"a","kind":"b"}`: 400, `{"doo":1}`: 400,
		`{"do":"shelve","kind":"link-down","subject":"x","for":"8h"}`: 400, `{"do":"shelve","kind":"a","subject":"x","for":"long","why":"y"}`: 400,
		`{"do":"acknowledge","kind":"link-down","subject":"nobody"}`: 409, `{"do":"return","subject":"fernhollow-mill/wheelhouse"}`: 409,
		`{"do":"take-out","subject":"fernhollow-mill","for":"1h","why":"work"}`: 204,
	} {
		r := httptest.NewRequest(http.MethodPost, "http://localhost/api/v1/actions", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		answer, text := ask(t, h, r)
		if answer.Code != status {
			t.Errorf("%s: %d, want %d: %s", body, answer.Code, status, text)
		}
		if status != 204 {
			wantProblem(t, answer, text, status, "")
		}
	}
}

// A curve as CSV has the readings of the store: RFC 4180, a header, instants and numbers.
func TestCurveAsCSV(t *testing.T) {
	w := newWorld(t, nil)
	w.run(2 * time.Hour)
	answer, body := get(t, dashboard.New(w.options()), "/curves/"+barnRoof+"?point=bank_voltage&past=3h")
	rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	if err != nil || answer.Code != http.StatusOK {
		t.Fatalf("%d %v", answer.Code, err)
	}
	if want := int(2 * time.Hour / worldPeriod); len(rows) != want || strings.Join(rows[0], "|") != "time|bank_voltage (V)" {
		t.Errorf("%d rows, want %d; the first is %q", len(rows), want, rows[0])
	}
	n := 1
	for v, err := range w.journal.Samples(t.Context(), barnRoof, "bank_voltage", time.Time{}, w.clock()) {
		if err != nil {
			t.Fatal(err)
		}
		var number float64
		if err := json.Unmarshal([]byte(rows[n][1]), &number); err != nil || number != v.Number || rows[n][0] != v.At.Format(time.RFC3339Nano) {
			t.Fatalf("row %d is %q, the store has %v at %v", n, rows[n], v.Number, v.At)
		}
		n++
	}
}
