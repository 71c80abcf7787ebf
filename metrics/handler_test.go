package metrics

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ringwarden/fleet"
)

// peer returns the path of a program of Debian's package prometheus. Without it CI fails, and others learn what was
// left out.
func peer(t *testing.T, program, left string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err == nil {
		return path
	}
	missing := program + " (Debian package prometheus) is not installed: " + left + " is left out"
	if os.Getenv("CI") == "true" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

// scrape asks for the page as a client that accepts a format.
func scrape(t *testing.T, m *Metrics, accept string) (header http.Header, page string) {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d, want 200: %s", w.Code, w.Body)
	}
	return w.Header(), w.Body.String()
}

func TestClassicPage(t *testing.T) {
	header, page := scrape(t, busy(), "text/plain")
	// Prometheus exposition formats: version 0.0.4; a counter's TYPE has its full name; the last line ends with LF.
	if got := header.Get("Content-Type"); !strings.HasPrefix(got, "text/plain; version=0.0.4") {
		t.Errorf("Content-Type = %q", got)
	}
	for _, want := range []string{
		"\n# TYPE ringwarden_link_good_frames_total counter\n",
		"\nringwarden_build_info{revision=\"0123abc\",version=\"v0.1.0\"} 1\n",
		"\ngo_goroutines ", "\nprocess_resident_memory_bytes ", "\nringwarden_store_commit_seconds_total 0.12\n",
		"\npromhttp_metric_handler_errors_total{cause=\"gathering\"} 0\n",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if !strings.HasSuffix(page, "\n") {
		t.Error("the last line has no end")
	}
}

func TestOpenMetricsPage(t *testing.T) {
	header, page := scrape(t, busy(), "application/openmetrics-text; version=1.0.0")
	// OpenMetrics 1.0: media type; ends with # EOF; a counter's TYPE is without _total; no empty line.
	if got := header.Get("Content-Type"); !strings.HasPrefix(got, "application/openmetrics-text; version=1.0.0; charset=utf-8") {
		t.Errorf("Content-Type = %q", got)
	}
	if !strings.HasSuffix(page, "\n# EOF\n") || strings.Contains(page, "\n\n") {
		t.Errorf("the page ends %q", page[max(0, len(page)-40):])
	}
	for _, want := range []string{
		"\n# TYPE ringwarden_link_good_frames counter\n",
		"\nringwarden_link_good_frames_total{controller=\"birch\",link=\"alder>birch\",ring=\"north\",site=\"mill\"} 81234.0\n",
		"\nringwarden_stage{controller=\"birch\",ring=\"north\",site=\"mill\",stage=\"float\"} 1.0\n",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, "NaN") {
		t.Error("NaN must not mark missing data (OpenMetrics 1.0)")
	}
}

// Prometheus' own tool finds nothing to say of the whole page, the process' metrics included.
func TestPromtool(t *testing.T) {
	promtool := peer(t, "promtool", "checking the page with promtool")
	_, page := scrape(t, busy(), "text/plain")
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(page)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// A real Prometheus scrapes the daemon's page, understands it, and sees readings end when they are no longer fresh.
func TestPrometheus(t *testing.T) {
	program := peer(t, "prometheus", "being scraped by a real Prometheus")
	var now atomic.Pointer[time.Time]
	now.Store(&noon)
	m := New(mill(), Options{Now: func() time.Time { return *now.Load() }})
	for _, g := range fleet.Groups {
		m.Put(answered("mill/north/birch", g, noon))
	}
	m.PutChanges([]fleet.Change{raised("link-down", "mill/north/alder>birch", fleet.High)})
	var format atomic.Value
	target := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		m.Handler().ServeHTTP(w, r)
		format.Store(w.Header().Get("Content-Type"))
	}))
	defer target.Close()
	p := startPrometheus(t, program, strings.TrimPrefix(target.URL, "http://"))

	for query, want := range map[string]string{
		`up{job="ringwarden"}`: "1",
		`ringwarden_battery_voltage_volts{site="mill",ring="north",controller="birch"}`:                "54.4",
		`ringwarden_link_good_frames_total{link="alder>birch"}`:                                        "81234",
		`ringwarden_stage{controller="birch"} == 1 and ringwarden_stage{stage="float"}`:                "1",
		`ringwarden_alarm{kind="link-down",link="alder>birch",state="unacknowledged",priority="high"}`: "1",
		`ringwarden_energy_lifetime_joules_total / 3.6e6`:                                              "1204",
		`histogram_quantile(0.5, ringwarden_poll_duration_seconds_bucket{site="mill"}) < bool 0.05`:    "1",
		`ringwarden_controller_info{name="Birch"} * on(site,ring,controller) ringwarden_controller_up`: "1",
		`count(ringwarden_build_info) + count(go_goroutines) + count(process_resident_memory_bytes)`:   "3",
		`sum(ringwarden_polls_total{controller="birch",outcome="answered"})`:                           "3",
		`scrape_samples_scraped{job="ringwarden"} > bool 100`:                                          "1",
	} {
		p.until(t, query, want)
	}
	if got := fmt.Sprint(format.Load()); !strings.HasPrefix(got, "application/openmetrics-text") {
		t.Errorf("Prometheus was given %q, want OpenMetrics", got) // its parser is the stricter one
	}
	later := noon.Add(time.Hour)
	now.Store(&later)
	p.until(t, `ringwarden_battery_voltage_volts`, "")
	p.until(t, `ringwarden_controller_up{controller="birch"}`, "0")
}

// A scraper is a Prometheus that runs.
type scraper struct{ api string }

var listening = regexp.MustCompile(`Listening on" address=(127\.0\.0\.1:\d+)`)

// startPrometheus runs a Prometheus with its own folder and a port that the system chooses, until the test ends.
func startPrometheus(t *testing.T, program, target string) *scraper {
	t.Helper()
	dir := t.TempDir()
	config := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("global: {scrape_interval: 200ms}\nscrape_configs: [{job_name: ringwarden, static_configs: [{targets: [%q]}]}]\n", target)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, program, "--config.file", config, "--storage.tsdb.path", filepath.Join(dir, "data"),
		"--web.listen-address", "127.0.0.1:0")
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.WaitDelay = io.Discard, 5*time.Second
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	address, drained := make(chan string, 1), make(chan struct{})
	var log strings.Builder
	go func() {
		defer close(drained)
		for lines := bufio.NewScanner(stderr); lines.Scan(); {
			fmt.Fprintln(&log, lines.Text())
			if found := listening.FindStringSubmatch(lines.Text()); found != nil {
				address <- found[1]
			}
		}
	}()
	t.Cleanup(func() {
		cancel()
		<-drained
		_ = cmd.Wait() // it was killed
		if t.Failed() {
			t.Logf("prometheus said:\n%s", log.String())
		}
	})
	select {
	case a := <-address:
		return &scraper{api: "http://" + a + "/api/v1/query?query="}
	case <-drained:
		t.Fatal("prometheus ended")
	case <-time.After(30 * time.Second):
		t.Fatal("prometheus does not listen")
	}
	return nil
}

// until asks until the answer is one series of the wanted value, or, for "", none.
func (p *scraper) until(t *testing.T, query, want string) {
	t.Helper()
	every, end := time.NewTicker(50*time.Millisecond), time.After(30*time.Second)
	defer every.Stop()
	for {
		got, err := p.ask(t.Context(), query)
		if err == nil && (want == "" && len(got) == 0 || len(got) == 1 && got[0] == want) {
			return
		}
		select {
		case <-every.C:
		case <-end:
			t.Fatalf("%s = %q, %v, want %q", query, got, err, want)
		}
	}
}

// ask returns the values that a query gives now.
func (p *scraper) ask(ctx context.Context, query string) ([]string, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.api+url.QueryEscape(query), nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	var answer struct {
		Status, Error string
		Data          struct{ Result []struct{ Value []any } }
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		return nil, err
	}
	if answer.Status != "success" {
		return nil, fmt.Errorf("prometheus refuses the query: %s", answer.Error)
	}
	values := []string{}
	for _, r := range answer.Data.Result {
		values = append(values, fmt.Sprint(r.Value[1]))
	}
	return values, nil
}
