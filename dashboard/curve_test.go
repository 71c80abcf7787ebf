package dashboard_test

import (
	"context"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ringwarden/dashboard"
)

// shownPeriod returns the period that the address of the browser's page says.
func (b *browser) shownPeriod() (from, to time.Time) {
	b.t.Helper()
	q, err := url.ParseQuery(strings.TrimPrefix(evaluate[string](b, "location.search"), "?"))
	if err != nil {
		b.t.Fatal(err)
	}
	if from, err = time.Parse(time.RFC3339, q.Get("from")); err != nil {
		b.t.Fatalf("the address says %v: %v", q, err)
	}
	if to, err = time.Parse(time.RFC3339, q.Get("to")); err != nil {
		b.t.Fatalf("the address says %v: %v", q, err)
	}
	return from, to
}

// A chartBox is where the curve that can be seen is, in pixels, and the times at its ends.
type chartBox struct{ Left, Right, Middle, From, To float64 }

const visibleChart = `[...document.querySelectorAll("[data-drag] svg.dr-chart")].find(s => s.getClientRects().length)`

func (b *browser) chart() chartBox {
	b.t.Helper()
	return evaluate[chartBox](b, `(() => {
		const svg = `+visibleChart+`;
		svg.scrollIntoView({block: "center"});
		const plot = JSON.parse(svg.querySelector(".dr-plot").dataset.plot), m = svg.getScreenCTM();
		const at = (x, y) => new DOMPoint(x, y).matrixTransform(m);
		return {Left: at(plot.left, 0).x, Right: at(plot.right, 0).x, Middle: at(0, (plot.top + plot.bottom) / 2).y, From: plot.from, To: plot.to};
	})()`)
}

// mouse sends one event of the mouse.
func mouse(kind input.DispatchMouseEventType, x, y float64) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, Buttons: 1, ClickCount: 1})
		return chromedp.Void{}, err
	}
}

// finger sends one event of a finger.
func finger(kind input.DispatchTouchEventType, points ...*input.TouchPoint) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, target *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return chromedp.Void{}, err
	}
}

// wantPeriod checks the shown period against one that was dragged over, to within what three pixels are.
func (b *browser) wantPeriod(what string, box chartBox, first, last float64) {
	b.t.Helper()
	b.until(what, `document.readyState === "complete" && location.search.includes("from=")`, browserTime)
	from, to := b.shownPeriod()
	off := 3 * (box.To - box.From) / (box.Right - box.Left)
	wantFrom, wantTo := box.From+first*(box.To-box.From), box.From+last*(box.To-box.From)
	if math.Abs(float64(from.UnixMilli())-wantFrom) > off+1000 || math.Abs(float64(to.UnixMilli())-wantTo) > off+1000 {
		b.t.Errorf("%s shows %v to %v, want %v to %v", what, from, to, time.UnixMilli(int64(wantFrom)).UTC(), time.UnixMilli(int64(wantTo)).UTC())
	}
}

// A time is chosen on a curve by a mouse, by a finger and by keys; its address says it.
func TestChooseATimeOnACurve(t *testing.T) {
	w := newWorld(t, nil)
	w.run(3 * time.Hour)
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	address := origin + "/controllers/" + barnRoof

	b.look(1440, "light")
	b.do(chromedp.Navigate(address + "?past=3h#curve"))
	box := b.chart()
	x := func(part float64) float64 { return box.Left + part*(box.Right-box.Left) }
	b.do(mouse(input.DispatchMouseEventTypeMouseMoved, x(0.25), box.Middle), mouse(input.DispatchMouseEventTypeMousePressed, x(0.25), box.Middle),
		mouse(input.DispatchMouseEventTypeMouseMoved, x(0.5), box.Middle), mouse(input.DispatchMouseEventTypeMouseMoved, x(0.75), box.Middle))
	b.shoot("curve-dragged")
	b.do(mouse(input.DispatchMouseEventTypeMouseReleased, x(0.75), box.Middle))
	b.wantPeriod("dragging a mouse", box, 0.25, 0.75)

	b.look(390, "light")
	b.do(chromedp.Navigate(address + "?past=3h#curve"))
	box = b.chart()
	b.do(finger(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: x(0.2), Y: box.Middle}),
		finger(input.DispatchTouchEventTypeTouchMove, &input.TouchPoint{X: x(0.4), Y: box.Middle}),
		finger(input.DispatchTouchEventTypeTouchMove, &input.TouchPoint{X: x(0.6), Y: box.Middle}),
		finger(input.DispatchTouchEventTypeTouchEnd))
	b.wantPeriod("dragging a finger", box, 0.2, 0.6)

	b.do(chromedp.Navigate(address + "?past=3h#curve"))
	box = b.chart()
	evaluate[bool](b, visibleChart+".focus() || true")
	b.do(chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.Enter)) // right: the middle and a hundredth
	for range 3 {
		b.do(chromedp.KeyEvent(kb.PageDown)) // page down: a tenth
	}
	b.do(chromedp.KeyEvent(kb.Enter))
	b.wantPeriod("choosing by keys", box, 0.51, 0.81)
	b.check("choosing a time")

	// From there by keys alone, as by the links of the same names.
	from, to := b.shownPeriod()
	span := to.Sub(from)
	evaluate[bool](b, visibleChart+".focus() || true")
	for _, tt := range []struct {
		key      string
		from, to time.Duration // beside what was shown before
	}{
		{"+", span / 4, -span / 4},
		{"-", -span / 4, span / 4},
	} {
		b.do(chromedp.KeyEvent(tt.key))
		wantFrom, wantTo := from.Add(tt.from), to.Add(tt.to)
		b.until("the key "+tt.key, `document.readyState === "complete" && document.activeElement.matches("svg.dr-chart") && !location.search.includes("`+url.QueryEscape(from.UTC().Format(time.RFC3339))+`")`, browserTime)
		from, to = b.shownPeriod()
		if d := from.Sub(wantFrom) + to.Sub(wantTo); d > 2*time.Second || d < -2*time.Second {
			t.Errorf("after %q: %v to %v, want %v to %v", tt.key, from, to, wantFrom, wantTo)
		}
	}
	b.check("choosing a time by keys")
}

// A period beside the one that is shown is one link away, without a script; none leads beyond now, nor below a minute.
func TestMovesAlongACurve(t *testing.T) {
	w := newWorld(t, nil)
	w.run(3 * time.Hour)
	h := dashboard.New(w.options())
	at := func(ago time.Duration) string {
		return url.QueryEscape(w.clock().Add(-ago).UTC().Format(time.RFC3339))
	}
	page := "/controllers/" + barnRoof + "?point=power_out&from="
	for _, tt := range []struct {
		query    string
		has, not []string
	}{
		{page + at(2*time.Hour) + "&to=" + at(time.Hour), []string{
			`id="curve-earlier" href="?from=` + at(3*time.Hour) + `&amp;point=power_out&amp;to=` + at(2*time.Hour),
			`id="curve-later" href="?from=` + at(time.Hour) + `&amp;point=power_out&amp;to=` + at(0),
			`id="curve-narrower" href="?from=` + at(105*time.Minute) + `&amp;point=power_out&amp;to=` + at(75*time.Minute),
			`id="curve-wider" href="?from=` + at(150*time.Minute) + `&amp;point=power_out&amp;to=` + at(30*time.Minute),
			"single readings",
		}, nil},
		{page + at(time.Hour) + "&to=" + at(0), []string{
			`id="curve-wider" href="?from=` + at(2*time.Hour) + `&amp;point=power_out&amp;to=` + at(0),
		}, []string{`id="curve-later"`}},
		{page + at(90*time.Second) + "&to=" + at(0), nil, []string{`id="curve-narrower"`}},
		{page + at(48*time.Hour) + "&to=" + at(0), []string{"in steps of 5 min"}, []string{"single readings"}},
		{page + at(31*24*time.Hour) + "&to=" + at(0), []string{"in steps of 1 h"}, nil},
	} {
		answer, body := get(t, h, tt.query)
		if answer.Code != http.StatusOK {
			t.Fatalf("%s: %d", tt.query, answer.Code)
		}
		for _, text := range tt.has {
			if !strings.Contains(body, text) {
				t.Errorf("%s has no %s", tt.query, text)
			}
		}
		for _, text := range tt.not {
			if strings.Contains(body, text) {
				t.Errorf("%s has %s", tt.query, text)
			}
		}
	}
}

// A CSV that cannot be read to its end is cut off, so that nobody takes it for a whole one.
func TestCurveAsCSVIsCutOff(t *testing.T) {
	w := newWorld(t, nil)
	w.run(time.Hour)
	ctx, cancel := context.WithCancel(t.Context())
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, "http://localhost:27464/curves/"+barnRoof+"?point=bank_voltage&past=3h", nil)
	answer := &cancelling{httptest.NewRecorder(), cancel}
	defer func() {
		if cut := recover(); cut != http.ErrAbortHandler { //nolint:errorlint // net/http compares it so
			t.Errorf("%d, %v, want %v; %q", answer.Code, cut, http.ErrAbortHandler, answer.Body)
		}
		if body := answer.Body.String(); body != "time,bank_voltage (V)\r\n" {
			t.Errorf("%q, want the head alone", body)
		}
	}()
	dashboard.New(w.options()).ServeHTTP(answer, r)
}

// A cancelling recorder cancels what is asked as soon as something is written.
type cancelling struct {
	*httptest.ResponseRecorder
	cancel context.CancelFunc
}

func (c *cancelling) Write(b []byte) (int, error) {
	c.cancel()
	return c.ResponseRecorder.Write(b)
}
