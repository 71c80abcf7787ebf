package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ringwarden/store/storetest/year"
	"ringwarden/testdata"
)

// yearPages are what is asked for before the daemon's memory is looked at.
var yearPages = []string{
	"/sites/fernhollow-mill", "/alarms", "/cables/fernhollow-mill/wheelhouse", "/cabletest/fernhollow-mill/wheelhouse",
	"/controllers/fernhollow-mill/wheelhouse/barn-roof", "/controllers/fernhollow-mill/wheelhouse/barn-roof?past=366d",
	"/controllers/fernhollow-mill/wheelhouse/south-field?past=31d&point=bank_voltage", "/reports/fernhollow-mill",
	"/curves/fernhollow-mill/wheelhouse/barn-roof?point=power_out&past=7d", "/api/v1/controllers", "/api/v1/alarms?past=7d", "/metrics",
}

// What the daemon of a site of five controllers holds in memory that has a year of it on disk, is polled in earnest, and
// has shown all its pages: the resident set, of which the program's own pages and the database's in the system's cache are
// a part. The bar is held by the highest that it ever was, from the start on; some time after the pages it is less. It depends
// on the hour: shortly before half past noon and half past midnight (UTC), when half a day is not folded yet, it is highest, by
// some 3 MB.
func BenchmarkYearResident(b *testing.B) {
	now := time.Now().UTC()
	kept := year.SiteUntil(b, now.Truncate(24*time.Hour))
	folder := b.TempDir()
	if err := os.Rename(kept.Copy(b), filepath.Join(folder, "year.db")); err != nil {
		b.Fatal(err)
	}
	if err := kept.Extend(b.Context(), filepath.Join(folder, "year.db"), now.Truncate(time.Minute)); err != nil {
		b.Fatal(err)
	}
	uncached(b, filepath.Join(folder, "year.db"))
	const looks, settle = 5, 20 * time.Second
	program(b)
	daemon, listen := startDemoFleet(b, folder, "{fast: 10s, normal: 10s, slow: 300s}")
	for b.Loop() {
		waitForPage(b, listen)
		for range looks {
			for _, page := range yearPages {
				look(b, "http://"+listen+page)
			}
		}
		time.Sleep(settle) // what was asked for in the background is weighed meanwhile
		after := residentOf(b, daemon)
		fmt.Printf("bar daemon-year-resident = %.1f MB at the highest (want <= 40); %.1f MB after %s of rest, of which %.1f MB are files\n",
			after["VmHWM"], after["VmRSS"], settle, after["RssFile"])
		b.ReportMetric(after["VmHWM"], "MB-highest")
		b.ReportMetric(after["VmRSS"], "MB-resident")
	}
}

// program builds the program as it is shipped, and lets it be the one that is started: the tests' own holds the tests, too.
func program(b *testing.B) {
	b.Helper()
	folder := b.TempDir()
	build := exec.Command("go", "build", "-trimpath", "-o", filepath.Join(folder, "ringwarden"), ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	b.Setenv("PATH", folder+string(os.PathListSeparator)+os.Getenv("PATH"))
}

// uncached takes a file out of the system's cache, as it is when the machine has just been started. A file that was
// copied a moment ago lies there in pieces of two megabytes, which count as the reader's as a whole.
func uncached(b *testing.B, path string) {
	b.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := errors.Join(f.Sync(), unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)); err != nil {
		b.Fatal(err)
	}
}

// What 500 people cost who look at live pages of a site whose controllers are read every second: half of them at the
// site, the others at its controllers and cables.
func BenchmarkViewers(b *testing.B) {
	const viewers, settle, measure = 500, 10 * time.Second, 20 * time.Second
	daemon, listen := startDemoFleet(b, b.TempDir(), "{fast: 1s, normal: 2s, slow: 20s}")
	for b.Loop() {
		waitForPage(b, listen)
		time.Sleep(settle)
		alone := coresOf(b, daemon, measure)
		ctx, leave := context.WithCancel(b.Context())
		var told, size atomic.Int64
		var all sync.WaitGroup
		for i := range viewers {
			page := []string{
				"/sites/fernhollow-mill", "/controllers/fernhollow-mill/wheelhouse/barn-roof", "/sites/fernhollow-mill",
				"/controllers/fernhollow-mill/wheelhouse/leat-turbine", "/sites/fernhollow-mill", "/cables/fernhollow-mill/wheelhouse",
			}[i%6]
			all.Go(func() { follow(ctx, "http://"+listen+"/live?page="+url.QueryEscape(page), &told, &size) })
		}
		time.Sleep(settle)
		before, bytes := told.Load(), size.Load()
		cores := coresOf(b, daemon, measure)
		events := float64(told.Load()-before) / viewers / measure.Seconds()
		sent := float64(size.Load()-bytes) / 1e6 / measure.Seconds()
		leave()
		all.Wait()
		fmt.Printf("bar daemon-viewers = %.2f cores for %d viewers who are told something %.2f times a second, %.1f MB/s in all; %.2f without them (want < 1)\n",
			cores, viewers, events, sent, alone)
		if events < 0.3 {
			b.Fatalf("each viewer was told something %.2f times a second: too little to measure", events)
		}
		b.ReportMetric(cores, "cores")
	}
}

// startDemoFleet runs the demo's controllers and a daemon that watches them, each in a process of its own.
func startDemoFleet(b *testing.B, folder, periods string) (daemon *os.Process, listen string) {
	b.Helper()
	ports, err := freePorts(6)
	if err != nil {
		b.Fatal(err)
	}
	maps, err := filepath.Abs(filepath.Join("..", "..", "testdata", "maps"))
	if err != nil {
		b.Fatal(err)
	}
	file, err := testdata.Files.ReadFile("demo/fleet.yaml")
	if err != nil {
		b.Fatal(err)
	}
	listen = "127.0.0.1:" + ports[5]
	changes := []string{
		"periods: {fast: 1s, normal: 2s, slow: 20s}", "listen: " + listen + "\nstore: year.db\nperiods: " + periods, "../maps", maps,
	}
	for i := range 5 {
		changes = append(changes, ":"+strconv.Itoa(15021+i), ":"+ports[i])
	}
	path := filepath.Join(folder, "fleet.yaml")
	if err := os.WriteFile(path, []byte(strings.NewReplacer(changes...).Replace(string(file))), 0o600); err != nil {
		b.Fatal(err)
	}
	start(b, folder, "simulate", "--fleet", path)
	return start(b, folder, "run", path), listen
}

func look(b *testing.B, address string) {
	b.Helper()
	answer, err := http.Get(address)
	if err != nil {
		b.Fatal(err)
	}
	defer answer.Body.Close()
	if _, err := io.Copy(io.Discard, answer.Body); err != nil || answer.StatusCode != http.StatusOK {
		b.Fatalf("%s: %s, %v", address, answer.Status, err)
	}
}

// follow counts the events of a live page, and their bytes.
func follow(ctx context.Context, address string, told, size *atomic.Int64) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return
	}
	defer answer.Body.Close()
	lines := bufio.NewReaderSize(answer.Body, 64<<10)
	for {
		line, err := lines.ReadSlice('\n')
		size.Add(int64(len(line)))
		if strings.HasPrefix(string(line[:min(6, len(line))]), "data: ") {
			told.Add(1)
		}
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return
		}
	}
}

func coresOf(b *testing.B, p *os.Process, over time.Duration) float64 {
	b.Helper()
	before, began := processSeconds(b, p), time.Now()
	time.Sleep(over) // it is what is measured
	return (processSeconds(b, p) - before) / time.Since(began).Seconds()
}

// residentOf returns what the kernel says of a process's memory, in MB.
func residentOf(b *testing.B, p *os.Process) map[string]float64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.Pid))
	if err != nil {
		b.Fatal(err)
	}
	sizes := map[string]float64{}
	for line := range strings.Lines(string(status)) {
		name, value, _ := strings.Cut(line, ":")
		if kb, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(value), " kB"), 64); err == nil {
			sizes[name] = kb * 1024 / 1e6
		}
	}
	return sizes
}
