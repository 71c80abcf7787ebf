package dashboard_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringwarden/dashboard"
	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// Viewers see how the cables do, and neither write, nor say that cables were swapped, nor test; what operators write stands
// under their names.
func TestWhoMayDoWhatWithCables(t *testing.T) {
	w := newWorld(t, nil)
	o := w.options()
	o.Users, o.Exposed, o.CableTests = users(t), true, dashboard.NewCableTests(nil, 0)
	h := dashboard.New(o)
	as := func(name, password, method, path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, "http://localhost"+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.SetBasicAuth(name, password)
		answer, _ := ask(t, h, r)
		return answer
	}
	forms := map[string]url.Values{
		"/note":      {"subject": {wheelhouse}, "text": {"seen"}},
		"/swap":      {"here": {countedLink}, "there": {otherLink}},
		"/cabletest": {"ring": {wheelhouse}, "do": {"start"}},
	}
	for path, form := range forms {
		if answer := as("wall", "llaw", http.MethodPost, path, form); answer.Code != http.StatusForbidden {
			t.Errorf("a viewer at %s: %d, want 403", path, answer.Code)
		}
	}
	if n := len(w.notes(t)); n != 0 {
		t.Errorf("%d notes by a viewer", n)
	}
	page := as("wall", "llaw", http.MethodGet, cablesPath, nil)
	if page.Code != http.StatusOK || strings.Contains(page.Body.String(), "<form") {
		t.Errorf("a viewer's page of the cables: %d, or it has forms", page.Code)
	}
	for path, form := range forms {
		if answer := as("maren", "neram", http.MethodPost, path, form); answer.Code != http.StatusSeeOther {
			t.Errorf("an operator at %s: %d %s", path, answer.Code, answer.Body)
		}
	}
	notes := w.notes(t)
	if len(notes) != 2 || notes[0].Who != "maren" || notes[1].Who != "maren" {
		t.Errorf("kept: %+v", notes)
	}
}

// Without JavaScript a test is begun by a form, read by reloading, and ended by a form.
func TestCableTestWithoutScript(t *testing.T) {
	l := &listener{put: make(chan func(*fleet.Frame), 1), ended: make(chan struct{}, 1)}
	h := tested(t, l, nil)
	do := func(what string) {
		t.Helper()
		answer := post(t, h, "/cabletest", url.Values{"ring": {wheelhouse}, "do": {what}})
		if answer.Code != http.StatusSeeOther || answer.Header().Get("Location") != testPath {
			t.Fatalf("%s: %d to %q", what, answer.Code, answer.Header().Get("Location"))
		}
	}
	do("start")
	put := <-l.put
	for n := range 3 {
		put(heardFrame("south-field", counters, float64(10*n), float64(n)))
	}
	_, body := get(t, h, testPath)
	for _, want := range []string{"20 good, 2 bad (9.1 %)", "one bad frame", "Under way.", "Reload for newer figures"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	do("stop")
	<-l.ended
	eventually(t, h, testPath, "Ended after", "it was stopped", "Test again")
}

// A swap test is begun by the keyboard alone.
func TestSwapByKeyboard(t *testing.T) {
	w := newWorld(t, nil)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(390, "light")
	b.do(chromedp.Navigate(origin + cablesPath))
	tabTo := func(what, condition string) {
		t.Helper()
		for range 60 {
			if evaluate[bool](b, condition) {
				return
			}
			b.do(chromedp.KeyEvent("\t"))
		}
		t.Fatalf("%s is not reached by the tab key", what)
	}
	tabTo("the form", `document.activeElement.textContent === "Start a swap test"`)
	b.do(chromedp.KeyEvent("\r"))
	b.until("the form is open", `document.querySelector("details.ask").open`, browserTime)
	tabTo("the other cable", `document.activeElement.name === "there"`)
	b.do(chromedp.KeyEvent("Miller's"))
	tabTo("the button", `document.activeElement.textContent === "They have been swapped"`)
	b.do(chromedp.KeyEvent("\r"))
	b.until("the note is there", `document.readyState === "complete" && location.hash === "#swap-test" && document.querySelector(".notes li") !== null`, browserTime)
	notes := w.notes(t)
	if len(notes) != 1 {
		t.Fatalf("%d notes, want 1", len(notes))
	}
	here, there, ok := diagnosis.ReadSwapNote(notes[0].Text)
	if !ok || here != countedLink || there != wheelhouse+"/millers-loft>barn-roof" {
		t.Errorf("swapped %s and %s, %t: %q", here, there, ok, notes[0].Text)
	}
	b.check("swap by keyboard")
}
