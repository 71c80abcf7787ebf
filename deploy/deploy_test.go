package deploy_test

import (
	"debug/elf"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
)

// peer returns the path of a program that checks our files and is not ours.
func peer(t *testing.T, name, debian, leftOut string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed (Debian: %s)", name, debian)
	}
	t.Skipf("left out: %s, since %s is not installed (Debian: %s)", leftOut, name, debian)
	return ""
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, out)
	}
	return string(out)
}

func read(t *testing.T, file string) string {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

const unitFile = "ringwarden.service"

// unitWithProgram writes the unit with a program that is there, since systemd looks for it.
func unitWithProgram(t *testing.T) string {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	text := read(t, unitFile)
	if n := strings.Count(text, "/usr/bin/ringwarden"); n != 1 {
		t.Fatalf("the unit names /usr/bin/ringwarden %d times", n)
	}
	file := filepath.Join(t.TempDir(), unitFile)
	if err := os.WriteFile(file, []byte(strings.ReplaceAll(text, "/usr/bin/ringwarden", program)), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// A typing error in a unit is a warning in a log and a protection less.
func TestUnitVerifies(t *testing.T) {
	analyze := peer(t, "systemd-analyze", "systemd", "verifying the service unit")
	if out := run(t, analyze, "verify", "--man=no", unitWithProgram(t)); out != "" {
		t.Errorf("systemd-analyze verify says:\n%s", out)
	}
	// It must notice a fault at all, or the check above is worth nothing.
	file := unitWithProgram(t)
	bad := strings.Replace(read(t, file), "ProtectSystem=strict", "ProtectSystem=stirct", 1)
	if err := os.WriteFile(file, []byte(bad), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, _ := exec.CommandContext(t.Context(), analyze, "verify", "--man=no", file).CombinedOutput(); !strings.Contains(string(out), "stirct") {
		t.Errorf("systemd-analyze verify does not see a misspelled value:\n%s", out)
	}
}

// systemd's own measure of exposure goes from 0 (closed) to 100 (open). What the unit leaves open is the network, since
// it is the daemon's trade, and the root of the file system, to be read.
func TestUnitIsClosed(t *testing.T) {
	analyze := peer(t, "systemd-analyze", "systemd", "measuring the service unit's exposure")
	run(t, analyze, "security", "--offline=true", "--no-pager", "--threshold=15", unitWithProgram(t))
}

// The unit starts the command that there is, tells systemd the truth, and is what README.md describes.
func TestUnitSays(t *testing.T) {
	unit := read(t, unitFile)
	for _, line := range []string{
		"Type=notify", "ExecStart=/usr/bin/ringwarden run /etc/ringwarden/fleet.yaml", "ExecReload=/bin/kill -HUP $MAINPID",
		"DynamicUser=yes", "StateDirectory=ringwarden", "NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet=",
		"MemoryDenyWriteExecute=yes", "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX", "Restart=on-failure",
	} {
		if !slices.Contains(strings.Split(unit, "\n"), line) {
			t.Errorf("the unit lacks %q", line)
		}
	}
	for _, key := range []string{"WatchdogSec", "MemoryMax", "MemoryHigh", "TasksMax", "LimitNOFILE", "TimeoutStopSec"} {
		if !regexp.MustCompile(`(?m)^` + key + `=[0-9]+`).MatchString(unit) {
			t.Errorf("the unit sets no %s", key)
		}
	}
}

func TestPrometheusFiles(t *testing.T) {
	promtool := peer(t, "promtool", "prometheus", "checking the Prometheus files")
	if out := run(t, promtool, "check", "config", "prometheus.yml"); !strings.Contains(out, "1 rule files found") || !strings.Contains(out, "1 rules found") {
		t.Errorf("promtool did not check the rules:\n%s", out)
	}
	run(t, promtool, "test", "rules", "testdata/rules_test.yml")
}

// The scrape example reads the address at which the daemon listens if nobody says otherwise.
func TestPrometheusReadsTheDefaultAddress(t *testing.T) {
	var config struct {
		Scrapes []struct {
			Job     string                       `yaml:"job_name"`
			Path    string                       `yaml:"metrics_path"`
			Statics []struct{ Targets []string } `yaml:"static_configs"`
		} `yaml:"scrape_configs"`
	}
	if err := yaml.Unmarshal([]byte(read(t, "prometheus.yml")), &config); err != nil {
		t.Fatal(err)
	}
	if len(config.Scrapes) != 1 || len(config.Scrapes[0].Statics) != 1 || config.Scrapes[0].Path != "" {
		t.Fatalf("the example is %+v, want one job on the usual path", config)
	}
	if got := config.Scrapes[0].Statics[0].Targets; len(got) != 1 || got[0] != fleet.DefaultListen {
		t.Errorf("it scrapes %v, want %s", got, fleet.DefaultListen)
	}
}

// instructions are the lines of a Containerfile, each stage apart.
func instructions(t *testing.T) (stages [][]string) {
	t.Helper()
	for line := range strings.Lines(read(t, "Containerfile")) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if strings.HasPrefix(line, "FROM ") {
			stages = append(stages, nil)
		}
		if len(stages) > 0 {
			stages[len(stages)-1] = append(stages[len(stages)-1], line)
		}
	}
	return stages
}

// The image cannot be built where tests run, so its recipe is read: no shell, no root, nothing that runs in the last
// stage, and the Go that go.mod asks for.
func TestContainerfile(t *testing.T) {
	stages := instructions(t)
	if len(stages) != 2 {
		t.Fatalf("%d stages, want 2", len(stages))
	}
	last := stages[1]
	for _, line := range []string{
		"FROM scratch", "USER 65532:65532", `ENTRYPOINT ["/ringwarden"]`, `CMD ["run", "/etc/ringwarden/fleet.yaml"]`,
		"EXPOSE " + fleet.DefaultListen[strings.LastIndexByte(fleet.DefaultListen, ':')+1:],
	} {
		if !slices.Contains(last, line) {
			t.Errorf("the last stage lacks %q", line)
		}
	}
	for _, line := range last {
		if word, _, _ := strings.Cut(line, " "); !slices.Contains([]string{"FROM", "COPY", "USER", "WORKDIR", "VOLUME", "EXPOSE", "STOPSIGNAL", "ENTRYPOINT", "CMD"}, word) {
			t.Errorf("the last stage has %q; nothing can run in an empty image", line)
		}
	}
	goVersion := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(read(t, "../go.mod"))
	if goVersion == nil || !strings.Contains(read(t, "Containerfile"), "ARG GO_IMAGE=golang:"+goVersion[1]+"\n") {
		t.Errorf("go.mod asks for %v; the recipe builds with another", goVersion)
	}
}

// An empty image has no loader: a program that asks for one does not start there.
func TestContainerfileBuildsAStaticProgram(t *testing.T) {
	recipe := regexp.MustCompile(`(?m)^RUN CGO_ENABLED=0 go build (.*) -o /out/ringwarden (\S+) `).FindStringSubmatch(read(t, "Containerfile"))
	if recipe == nil {
		t.Fatal("the recipe does not build as this test expects")
	}
	program := filepath.Join(t.TempDir(), "ringwarden")
	args := slices.Concat([]string{"build"}, strings.Fields(recipe[1]), []string{"-o", program, recipe[2]})
	build := exec.CommandContext(t.Context(), "go", args...)
	build.Dir = ".."
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", build, err, out)
	}
	f, err := elf.Open(program)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, p := range f.Progs {
		if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
			t.Errorf("the program has a segment %v: it is not static", p.Type)
		}
	}
}
