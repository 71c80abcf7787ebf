package dashboard_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

const cutCable = "fernhollow-mill/wheelhouse/south-field>leat-turbine"

// troubled is a world in which a cable was cut and its alarm stands.
func troubled(t *testing.T) *world {
	t.Helper()
	w := newWorld(t, nil)
	w.run(time.Hour)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	return w
}

// changesTo returns the changes of the alarm of the cut cable into a state.
func (w *world) changesTo(state fleet.AlarmState) []fleet.Change {
	w.t.Helper()
	var all []fleet.Change
	for c, err := range w.Changes(w.t.Context(), time.Time{}, w.clock().Add(time.Hour)) {
		if err != nil {
			w.t.Fatal(err)
		}
		if c.Alarm.State == state && c.Alarm.Subject == cutCable {
			all = append(all, c)
		}
	}
	return all
}

// tabTo presses the tab key until an element matches.
func (b *browser) tabTo(selector string) {
	b.t.Helper()
	for range 60 {
		if evaluate[bool](b, "document.activeElement.matches(`"+selector+"`)") {
			if outline := evaluate[string](b, "getComputedStyle(document.activeElement).outlineStyle"); outline != "solid" {
				b.t.Errorf("%s has an outline %q; a person could not see where the focus is", selector, outline)
			}
			return
		}
		b.do(chromedp.KeyEvent("\t"))
	}
	b.t.Fatalf("sixty tabs do not reach %s", selector)
}

// shown waits for the page of alarms to hold a text.
func (b *browser) shown(text string) {
	b.t.Helper()
	b.until(text, "document.readyState === `complete` && document.querySelector(`#now`) !== null && document.querySelector(`#now`).textContent.includes(`"+text+"`)", browserTime)
}

// Acknowledging with a comment, shelving, showing again and writing a note need no mouse, and each is kept with who
// did it and why.
func TestAlarmsByKeyboard(t *testing.T) {
	w := troubled(t)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(390, "light")
	b.do(chromedp.Navigate(origin + "/alarms"))

	b.tabTo("article form.inline input[name=why]")
	b.do(chromedp.KeyEvent("on my way\r"))
	b.shown("somebody at this machine acknowledged it: on my way")

	b.tabTo("article details:has([value=shelve]) > summary")
	b.do(chromedp.KeyEvent("\r"))
	b.tabTo("article select[name=hours]")
	b.do(chromedp.KeyEvent("a day"))
	b.tabTo("article details[open] input[name=why]")
	b.do(chromedp.KeyEvent("waiting for a new cable"))
	b.tabTo("article input[name=one_shot]")
	b.do(chromedp.KeyEvent(" "))
	b.tabTo("article details[open] button")
	b.do(chromedp.KeyEvent("\r"))
	b.shown("shelved it: waiting for a new cable")
	b.shoot("alarms-shelved")

	b.tabTo("article details:has([value=comment]) > summary")
	b.do(chromedp.KeyEvent("\r"))
	b.tabTo("article details[open] input[name=why]")
	b.do(chromedp.KeyEvent("plug looks green\r"))
	b.shown("somebody at this machine: plug looks green")

	b.tabTo("article button[id$=unshelve]")
	b.do(chromedp.KeyEvent("\r"))
	b.shown("showed it again")
	b.check("alarms by keyboard")

	const who = "somebody at this machine"
	if c := w.changesTo(fleet.Acknowledged); len(c) == 0 || c[0].Who != who || c[0].Why != "on my way" {
		t.Errorf("acknowledgements: %+v", c)
	}
	if c := w.changesTo(fleet.Shelved); len(c) != 1 || c[0].Who != who || c[0].Why != "waiting for a new cable" || c[0].Alarm.Until.Sub(c[0].At) != 24*time.Hour {
		t.Errorf("shelvings: %+v", c)
	}
}

// A one-shot shelving ends with the trouble, not with its time.
func TestShelvedOnceEndsWithTheTrouble(t *testing.T) {
	w := troubled(t)
	h := dashboard.New(w.options())
	act(t, h, "do", "shelve", "kind", "link-down", "subject", cutCable, "hours", "24", "why", "known", "one_shot", "1")
	if err := w.Pull(cutCable); err != nil { // put it back
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	if n := len(w.changesTo(fleet.Unacknowledged)); n != 2 {
		t.Errorf("raised %d times, want 2: the second trouble is not hidden", n)
	}
}

// act sends a form as a page does, and fails unless it is done.
func act(t *testing.T, h http.Handler, values ...string) {
	t.Helper()
	if answer, body := ask(t, h, form(values...)); answer.Code != http.StatusSeeOther {
		t.Fatalf("%v: %d %s", values, answer.Code, body)
	}
}

// What is taken out of service by its kind stays quiet; another kind in the same place does not.
func TestOutOfServiceByForm(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Hour)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(1440, "dark")
	b.do(chromedp.Navigate(origin+"/alarms"),
		chromedp.SetValue(chromedp.CSS("#work [name=subject]"), "fernhollow-mill/wheelhouse"),
		chromedp.SetValue(chromedp.CSS("#work [name=hours]"), "24"),
		chromedp.SendKeys(chromedp.CSS("#work [name=why]"), "pulling new cables"),
		chromedp.Click(chromedp.CSS("#work summary")),
		chromedp.Click(chromedp.CSS("#work [value=link-down]")),
		chromedp.Click(chromedp.CSS("#work [value=link-noisy]")))
	b.shoot("alarms-out-of-service")
	b.do(chromedp.Click(chromedp.CSS("#work button")))
	b.shown("somebody at this machine: pulling new cables")
	b.check("out of service")
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	w.run(20 * time.Minute)
	if c := w.changesTo(fleet.Unacknowledged); len(c) > 0 {
		t.Errorf("raised although it is out of service: %+v", c)
	}
	h := dashboard.New(w.options())
	act(t, h, "do", "return", "subject", "fernhollow-mill/wheelhouse")
	w.run(20 * time.Minute)
	if len(w.changesTo(fleet.Unacknowledged)) == 0 {
		t.Error("not raised after the return to service")
	}
}

// Notes are about places that are there, and are kept word for word with who wrote them.
func TestComment(t *testing.T) {
	w := troubled(t)
	h := dashboard.New(w.options())
	act(t, h, "do", "comment", "kind", "link-down", "subject", cutCable, "why", `<b>seen</b> "twice"`)
	for _, bad := range [][]string{
		{"do", "comment", "subject", "nowhere", "why", "x"}, {"do", "comment", "subject", cutCable, "why", "  "}, {"do", "comment", "why", "x"},
	} {
		if answer, _ := ask(t, h, form(bad...)); answer.Code < 400 || answer.Code > 499 {
			t.Errorf("%v: %d", bad, answer.Code)
		}
	}
	n := 0
	for note, err := range w.journal.Notes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		n++
		if note.Who != "somebody at this machine" || note.Text != `link down: <b>seen</b> "twice"` || note.Subject != cutCable {
			t.Errorf("kept %+v", note)
		}
	}
	if n != 1 {
		t.Errorf("%d notes are kept, want 1", n)
	}
	r := httptest.NewRequest(http.MethodGet, "http://localhost/alarms", nil)
	if _, body := ask(t, h, r); !strings.Contains(body, `: <bdi>&lt;b&gt;seen&lt;/b&gt; &#34;twice&#34;</bdi>`) {
		t.Error("the note does not stand under its alarm as text")
	}
}

// The figures of ISA-18.2 stand beside what it asks for: eleven alarms in ten minutes are one more than an operator
// can take (ISA-18.2-2016, 16.4.4).
func TestFiguresOfTheAlarms(t *testing.T) {
	b := &book{}
	for i := range 11 {
		raised := alarm("link-noisy", "mill/north/alder>birch", fleet.Unacknowledged, fleet.Low, noon.Add(time.Duration(i-60)*time.Minute/2))
		ended := raised
		ended.State = fleet.AlarmNormal
		b.changes = append(b.changes, fleet.Change{At: raised.Since, Alarm: raised}, fleet.Change{At: raised.Since.Add(time.Second), From: fleet.Unacknowledged, Alarm: ended})
	}
	_, body := get(t, dashboard.New(options(b)), "/alarms")
	for _, want := range []string{
		"in which eleven alarms were raised. Of so few, shares say little.",
		`Most in ten minutes</th><td class="n">11</td><td>at most 10 <strong>It is more.</strong>`,
		"one flood", "80, 15, 5 %", `<td class="n">11</td><td>link noisy</td>`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Without a script every page can be read, and every form does what it says.
func TestPagesWithoutScript(t *testing.T) {
	w := troubled(t)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	b.look(390, "light")
	b.do(func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return chromedp.Void{}, err
	})
	for _, page := range everyPage {
		b.do(chromedp.Navigate(origin + page.path))
		if page.name != "overview" && evaluate[float64](b, "document.querySelector('main').innerText.length") < 40 {
			t.Errorf("%s says next to nothing without a script", page.name)
		}
	}
	b.do(chromedp.Navigate(origin + "/alarms"))
	if evaluate[string](b, "document.getElementById('pulse').textContent") == "Live" {
		t.Fatal("the script runs, so nothing is tried")
	}
	b.tabTo("article form.inline input[name=why]")
	b.do(chromedp.KeyEvent("seen\r"))
	b.shown("somebody at this machine acknowledged it: seen")
}
