package dashboard_test

import (
	"fmt"
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ringwarden/dashboard"
	"ringwarden/fleet"
)

// calls feeds the stages of the demo's five controllers, a letter each (b absorption, f float), once every ten seconds, and
// returns what the site's page says of a call, and the page.
func calls(t *testing.T, change func(*fleet.Fleet), wait time.Duration, rows ...string) (string, string) {
	t.Helper()
	f, _ := demoFleet(t, change)
	live := dashboard.NewLive(f)
	at := noon
	layout := fleet.NewLayout([]fleet.Point{{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1}})
	for _, row := range rows {
		at = at.Add(worldPeriod)
		for i, c := range f.Sites[0].Rings[0].Controllers {
			stage := map[byte]fleet.Stage{'b': fleet.Absorption, 'f': fleet.Float, 'i': fleet.Idle}[row[i]]
			live.Put(&fleet.Frame{
				Controller: c.ID, At: at, Outcome: fleet.Answered, Layout: layout, Values: []fleet.Value{{Number: float64(stage), Quality: fleet.Good}},
			})
		}
	}
	o := options(&book{})
	o.Live, o.Now = live, func() time.Time { return at.Add(wait) }
	answer, body := get(t, dashboard.New(o), millPage)
	if answer.Code != http.StatusOK {
		t.Fatal(answer.Code)
	}
	said := regexp.MustCompile(`<p class="call"><bdi>(.*?)</bdi>`).FindStringSubmatch(body)
	if said == nil {
		return "", body
	}
	return html.UnescapeString(said[1]), body
}

// A call is told by its way, how long it took and who has not followed; while it may still be under way, that is said; where
// polls do not show who began it, nobody is named; a unit that wakes and joins those in float is no call.
func TestCallIsTold(t *testing.T) {
	long := func(last string, n int) []string { return strings.Split(strings.Repeat(last+" ", n), " ")[:n] }
	hop := func(f *fleet.Fleet) { f.Sites[0].Rings[0].HopTime = 10 * time.Second }
	for _, tt := range []struct {
		name, want string
		drawn      bool
		rows       []string
	}{
		{"round", "Float travelled from Barn roof to Miller's loft in 40 s, 12:00.", true, []string{"bbbbb", "fbbbb", "ffbbb", "fffbb", "ffffb", "fffff"}},
		{"from the middle", "Float travelled from Ridge turbine to Leat turbine in 20 s, 12:00.", true, []string{"bbbbb", "bbbfb", "fbbff", "fffff"}},
		{"under way", "Float is on its way round: it began at Barn roof, 12:00, and has reached two controllers of five.", true, []string{"bbbbb", "fbbbb", "ffbbb"}},
		{
			"stopped", "Float travelled from Barn roof to South field in 10 s, 12:00; Leat turbine, Ridge turbine and Miller's loft have not followed.", true,
			append([]string{"bbbbb", "fbbbb"}, long("ffbbb", 12)...),
		},
		{
			"one not taking part", "Float travelled from Leat turbine to South field in 20 s, 12:00; Miller's loft has not followed.", true,
			append([]string{"bbbbb", "bbfbb", "bbffb"}, long("ffffb", 12)...),
		},
		{"alone", "Float began at Leat turbine, 12:00; Barn roof and South field have not followed.", false, append([]string{"bbbii", "bbfii"}, long("bbfii", 12)...)},
		{"at once", "Float went round within one poll, 12:00; polls do not show who began it.", true, []string{"bbbbb", "fffff"}},
		{"joined", "", false, []string{"fffbf", "fffff", "fffff"}},
		{"none", "", false, []string{"bbbbb", "bbbbb"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			said, body := calls(t, hop, time.Second, tt.rows...)
			if said != tt.want {
				t.Errorf("it says %q, want %q", said, tt.want)
			}
			if drawn := strings.Contains(body, "dr-call-line"); drawn != tt.drawn {
				t.Errorf("drawn %t, want %t", drawn, tt.drawn)
			}
		})
	}
	if said, _ := calls(t, hop, 29*time.Second, "bbbbb", "fbbbb", "fffff"); said == "" {
		t.Error("a call of half a minute ago is not told")
	}
}

// In a browser the call is seen in motion, unless the reader wishes for none; and told in words in any case.
func TestCallInABrowser(t *testing.T) {
	w := newWorld(t, nil)
	w.run(30 * time.Minute)
	if err := w.Pull(cutCable); err != nil {
		t.Fatal(err)
	}
	h := dashboard.New(w.options())
	for range 6 * 120 {
		w.run(worldPeriod)
		if _, body := get(t, h, millPage); strings.Contains(body, "dr-call-line") {
			break
		}
	}
	origin := serve(t, w.options())
	b := openBrowser(t, origin)
	script := axe(t)
	for _, width := range []int64{390, 1440} {
		for _, scheme := range []string{"light", "dark"} {
			what := fmt.Sprintf("call-%d-%s", width, scheme)
			b.look(width, scheme)
			b.do(chromedp.Navigate(origin + millPage))
			if said := evaluate[string](b, `document.querySelector(".call").textContent`); !strings.Contains(said, "Float") {
				t.Errorf("%s: it says %q", what, said)
			}
			if moves := evaluate[string](b, `getComputedStyle(document.querySelector(".dr-call-line")).animationName`); moves != "dr-travel" {
				t.Errorf("%s: the call does not move: %q", what, moves)
			}
			b.accessible(what, script)
			b.shoot(what)
			b.check(what)
		}
	}
	b.still()
	b.do(chromedp.Navigate(origin + millPage))
	if moves := evaluate[string](b, `getComputedStyle(document.querySelector(".dr-call-line")).animationName`); moves != "none" {
		t.Errorf("it moves although the reader wishes for no motion: %q", moves)
	}
}
