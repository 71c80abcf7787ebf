package main

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The whole daemon (polling, decoding, judging, storing, exporting) on 2,000 controllers that a second process
// simulates, both on this machine: how late its polls are, and what memory a controller costs.
func BenchmarkDaemon(b *testing.B) {
	const controllers, settle, measure = 2000, 10 * time.Second, 20 * time.Second
	folder := b.TempDir()
	listen := writeLargeFleet(b, folder, controllers)
	file := filepath.Join(folder, "fleet.yaml")
	start(b, folder, "simulate", "--fleet", file)
	daemon := start(b, folder, "run", file)
	for b.Loop() {
		page := waitForPage(b, listen)
		time.Sleep(settle) // connections are opened politely, one after the other
		before := scrape(b, page)
		time.Sleep(measure) // it is what is measured
		after := scrape(b, page)
		rise := func(prefix string, and ...string) float64 {
			return sum(after, prefix, and...) - sum(before, prefix, and...)
		}
		polls := rise("ringwarden_poll_lateness_seconds_count")
		inTime := rise("ringwarden_poll_lateness_seconds_bucket", `le="0.25"`)
		answered := rise("ringwarden_polls_total", `outcome="answered"`)
		all := rise("ringwarden_polls_total")
		if all == 0 || polls == 0 {
			b.Fatal("nothing was polled")
		}
		fmt.Printf("bar daemon-late-share = %.3f %% (want <= 1)\n", 100*(1-inTime/polls))
		fmt.Printf("bar daemon-unanswered-share = %.3f %% (want <= 1)\n", 100*(1-answered/all))
		fmt.Printf("bar daemon-polls = %.0f polls/s (want >= %.0f)\n", all/measure.Seconds(), 0.99*controllers/2)
		resident := sum(after, "process_resident_memory_bytes")
		fmt.Printf("bar daemon-resident-per-controller = %.1f KB (want <= 60)\n", (resident/1000-40e3)/controllers)
		b.ReportMetric(resident/1e6, "MB-resident")
		b.ReportMetric(processSeconds(b, daemon)/(settle+measure).Seconds(), "cores")
	}
}

// writeLargeFleet writes a fleet file of rings of 20 and returns where its daemon listens.
func writeLargeFleet(b *testing.B, folder string, controllers int) (listen string) {
	b.Helper()
	ports, err := freePorts(1)
	if err != nil {
		b.Fatal(err)
	}
	maps, err := filepath.Abs(filepath.Join("..", "..", "testdata", "maps"))
	if err != nil {
		b.Fatal(err)
	}
	listen = "127.0.0.1:" + ports[0]
	var s strings.Builder
	fmt.Fprintf(&s, "format: 1\nlisten: %s\nstore: fleet.db\nperiods: {fast: 2s, normal: 10s, slow: 60s}\nsites:\n", listen)
	for i := range controllers {
		if i%100 == 0 {
			fmt.Fprintf(&s, "  - name: Site %d\n    zone: UTC\n    rings:\n", i/100)
		}
		if i%20 == 0 {
			fmt.Fprintf(&s, "      - name: Ring %d\n        bank: {chemistry: flooded-lead, nominal: 48 V, capacity: 3000 Ah}\n        controllers:\n", i/20)
		}
		fmt.Fprintf(&s, "          - {name: Unit %d, host: \"127.0.%d.1:%d\", unit: 1, map: %s, source: pv, rated: 3 kW, temperature_reference: %t}\n",
			i, 1+i/1000, 21000+i%1000, filepath.Join(maps, []string{"larkspur", "teasel", "sedge"}[i%3]+".yaml"), i%20 == 0)
	}
	if err := os.WriteFile(filepath.Join(folder, "fleet.yaml"), []byte(s.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	return listen
}

// start runs the program in a process of its own until the benchmark ends.
func start(b *testing.B, folder string, args ...string) *os.Process {
	b.Helper()
	c := exec.Command("ringwarden", args...)
	log, err := os.Create(filepath.Join(folder, args[0]+".log"))
	if err != nil {
		b.Fatal(err)
	}
	c.Stdout, c.Stderr, c.Dir = log, log, folder
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGINT)
		if err := c.Wait(); err != nil {
			text, _ := os.ReadFile(log.Name())
			b.Errorf("ringwarden %s: %v\n%s", args[0], err, text[:min(len(text), 2000)])
		}
		log.Close()
	})
	return c.Process
}

func waitForPage(b *testing.B, listen string) string {
	b.Helper()
	page := "http://" + listen + "/metrics"
	for range 200 {
		if answer, err := http.Get(page); err == nil {
			answer.Body.Close()
			return page
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.Fatalf("nothing answers at %s", page)
	return ""
}

// scrape returns the samples of a page.
func scrape(b *testing.B, page string) map[string]float64 {
	b.Helper()
	answer, err := http.Get(page)
	if err != nil {
		b.Fatal(err)
	}
	defer answer.Body.Close()
	samples := map[string]float64{}
	lines := bufio.NewScanner(io.LimitReader(answer.Body, 64<<20))
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), "} ")
		if !strings.Contains(lines.Text(), "{") {
			name, value, _ = strings.Cut(lines.Text(), " ")
		}
		if v, err := strconv.ParseFloat(value, 64); err == nil {
			samples[name] = v
		}
	}
	return samples
}

// sum adds the samples of a name that have all of the labels.
func sum(samples map[string]float64, name string, labels ...string) float64 {
	total := 0.0
next:
	for key, v := range samples {
		if key != name && !strings.HasPrefix(key, name+"{") {
			continue
		}
		for _, l := range labels {
			if !strings.Contains(key, l) {
				continue next
			}
		}
		total += v
	}
	return total
}

// processSeconds returns what a process has used of the processors so far.
func processSeconds(b *testing.B, p *os.Process) float64 {
	b.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.Pid))
	if err != nil {
		b.Fatal(err)
	}
	fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	user, err1 := strconv.ParseFloat(fields[11], 64)
	system, err2 := strconv.ParseFloat(fields[12], 64)
	if err1 != nil || err2 != nil {
		b.Fatal(err1, err2)
	}
	return (user + system) / 100 // clock ticks: 100 a second on Linux
}
