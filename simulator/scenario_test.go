package simulator

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
	"ringwarden/registermap"
	shared "ringwarden/testdata"
)

var update = flag.Bool("update", false, "rewrite the golden files and the table of SCENARIO.md")

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// golden holds text against a file.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := string(readFile(t, path)); got != want {
		t.Errorf("%s\ngot\n%s\nwant\n%s", path, got, want)
	}
}

// demo returns the fleet that the shipped scenarios are for, with its maps.
func demo(t testing.TB) (*fleet.Fleet, map[string]*registermap.Map) {
	t.Helper()
	file := filepath.Join("..", "testdata", "demo", "fleet.yaml")
	f, err := fleet.Load(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	maps := map[string]*registermap.Map{}
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if maps[c.Map] == nil {
			if maps[c.Map], err = registermap.Load(c.Map); err != nil {
				t.Fatal(err)
			}
		}
		return true
	})
	return f, maps
}

// Whoever writes a scenario wrongly must be told everything that is wrong with it, where, and what to write instead.
func TestBadScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d fixtures: %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			s, err := ParseScenario(filepath.Base(file), readFile(t, file))
			if err == nil { // the places are wrong
				f, maps := demo(t)
				_, err = New(f, maps, Options{Scenario: s})
			}
			if err == nil {
				t.Fatal("it was accepted")
			}
			for _, e := range userfile.Errors(err) {
				if e.Line < 1 || e.Column < 1 {
					t.Errorf("fault without a place: %v", e)
				}
			}
			golden(t, strings.TrimSuffix(file, ".yaml")+".want", err.Error()+"\n")
		})
	}
}

var yamlBlock = regexp.MustCompile("(?s)```yaml\n(.*?)```")

// Somebody who starts from the page's example must end with a scenario that means what the page says.
func TestScenarioExample(t *testing.T) {
	m := yamlBlock.FindSubmatch(readFile(t, "SCENARIO.md"))
	if m == nil {
		t.Fatal("the page has no example")
	}
	s, err := ParseScenario("example.yaml", m[1])
	if err != nil {
		t.Fatal(err)
	}
	f, maps := demo(t)
	p, err := New(f, maps, Options{Scenario: s})
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Start().Format(time.DateTime); got != "2026-06-21 10:30:00" || p.rings[0].bank.soc() != 0.9 {
		t.Errorf("begins at %s with %g", got, p.rings[0].bank.soc())
	}
	const link = "fernhollow-mill/wheelhouse/ridge-turbine>millers-loft"
	want := []Event{
		{Fault: Fault{Kind: CutLink, On: link}, At: 2 * time.Minute, Until: 42 * time.Minute},
		{Fault: Fault{Kind: IntermittentLink, On: link, Burst: 15 * time.Second, Gap: time.Minute}, At: 2 * time.Hour, Until: 3 * time.Hour},
		{Fault: Fault{Kind: EqualizeStarted, On: "fernhollow-mill/wheelhouse/south-field"}, At: 4 * time.Hour},
	}
	for i := range s.Events {
		s.Events[i].line, s.Events[i].col = 0, 0
	}
	if !reflect.DeepEqual(s.Events, want) {
		t.Errorf("events\n%+v\nwant\n%+v", s.Events, want)
	}
	if len(s.Expect) != 2 || s.Expect[0] != (Expectation{"link-down", link}) {
		t.Errorf("expects %v", s.Expect)
	}
}

// What a scenario promises is held against what was raised, both ways; the same alarm twice is one.
func TestScenarioCompare(t *testing.T) {
	s := &Scenario{Expect: []Expectation{{"link-down", "mill/north/a>b"}, {"stage-split", "mill/north/c"}}}
	cut, split, silent := fleet.AlarmKey{Kind: "link-down", Subject: "mill/north/a>b"}, fleet.AlarmKey{Kind: "stage-split", Subject: "mill/north/c"}, fleet.AlarmKey{Kind: "site-silent", Subject: "mill"}
	for _, c := range []struct {
		raised []fleet.AlarmKey
		want   string
	}{
		{[]fleet.AlarmKey{cut, split, cut}, "[] []"},
		{[]fleet.AlarmKey{split}, "[link-down on mill/north/a>b] []"},
		{[]fleet.AlarmKey{split, silent, cut, silent}, "[] [site-silent on mill]"},
		{nil, "[link-down on mill/north/a>b stage-split on mill/north/c] []"},
	} {
		missing, other := s.Compare(slices.Values(c.raised))
		if got := fmt.Sprint(missing, other); got != c.want {
			t.Errorf("%v: %s, want %s", c.raised, got, c.want)
		}
	}
}

var faultTable = regexp.MustCompile(`(?s)<!-- faults -->\n(.*?)<!-- end -->\n`)

// The page lists the faults from the table that the parser goes by, and names every key that it reads.
func TestScenarioPageIsTheCodes(t *testing.T) {
	page := string(readFile(t, "SCENARIO.md"))
	var b strings.Builder
	b.WriteString("| fault | on | parameters | what happens |\n| --- | --- | --- | --- |\n")
	for _, k := range kindsOfFault {
		params := ""
		if len(k.params) > 0 {
			params = "`" + strings.Join(k.params, "`, `") + "`"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", k.kind, k.place, params, k.about)
	}
	now := faultTable.ReplaceAllLiteralString(page, "<!-- faults -->\n"+b.String()+"<!-- end -->\n")
	if *update {
		if err := os.WriteFile("SCENARIO.md", []byte(now), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if now != page {
		t.Error("the table of faults is not the code's; go test ./simulator -update rewrites it")
	}
	for _, key := range slices.Concat(scenarioKeys, startKeys, eventKeys, paramWords(), Weathers, setpointWords) {
		if !strings.Contains(page, "`"+key+"`") {
			t.Errorf("the page does not name %q", key)
		}
	}
}

// shipped reads the scenarios that come with the program.
func shipped(t testing.TB) map[string]*Scenario {
	t.Helper()
	files, err := shared.Files.ReadDir("scenarios")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]*Scenario{}
	for _, f := range files {
		data, err := shared.Files.ReadFile("scenarios/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		s, err := ParseScenario(f.Name(), data)
		if err != nil {
			t.Fatal(err)
		}
		all[strings.TrimSuffix(f.Name(), ".yaml")] = s
	}
	return all
}

// There is a scenario for each kind of fault, and each can be played to the demo's ring.
func TestShippedScenarios(t *testing.T) {
	used := map[FaultKind]bool{}
	for name, s := range shipped(t) {
		f, maps := demo(t)
		p, err := New(f, maps, Options{Scenario: s, Seed: 1})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, e := range s.Events {
			used[e.Kind] = true
		}
		p.Advance(p.Start().Add(4 * time.Hour))
		begun := 0
		for _, n := range p.News() {
			if n.Err != nil {
				t.Errorf("%s: %v", name, n.Err)
			}
			if !n.Ended {
				begun++
			}
		}
		if begun != len(s.Events) {
			t.Errorf("%s: %d of %d events happened in four hours", name, begun, len(s.Events))
		}
		for _, e := range s.Expect {
			if !names(f, e.On) {
				t.Errorf("%s expects %s on %s, which the demo's fleet does not have", name, e.Alarm, e.On)
			}
		}
	}
	for _, kind := range FaultKinds() {
		if !used[kind] {
			t.Errorf("no shipped scenario has %s", kind)
		}
	}
	if s := shipped(t)["calm"]; s == nil || len(s.Events)+len(s.Expect) != 0 {
		t.Error("calm is no scenario without events")
	}
}

// names reports whether the fleet has a site, ring, controller or link of an id.
func names(f *fleet.Fleet, id fleet.Subject) bool {
	found := false
	for _, s := range f.Sites {
		found = found || fleet.Subject(s.ID) == id
		for i := range s.Rings {
			found = found || fleet.Subject(s.Rings[i].ID) == id
			for _, l := range s.Rings[i].Links() {
				found = found || fleet.Subject(l.ID) == id
			}
			for _, c := range s.Rings[i].Controllers {
				found = found || fleet.Subject(c.ID) == id
			}
		}
	}
	return found
}

// Events happen at their instants, in their order, and end.
func TestTheTimelineIsKept(t *testing.T) {
	s, err := ParseScenario("s.yaml", []byte(`{format: 1, about: x, events: [
		{at: 2m, for: 1m, fault: dead-unit, on: mill/r0/u3},
		{at: 0s, until: 90s, fault: cut-link, on: "mill/r0/u0>u1"},
		{at: 1m, fault: noisy-link, on: "mill/r0/u1>u2", share: 50 %},
		{at: 3m, fault: dead-unit, on: mill/r0/u3}]}`))
	if err != nil {
		t.Fatal(err)
	}
	p := newPlant(t, rings(1, 4), Options{Scenario: s})
	for _, want := range []struct {
		at     time.Duration
		faults []FaultKind
	}{
		{0, []FaultKind{CutLink}},
		{59 * time.Second, []FaultKind{CutLink}},
		{60 * time.Second, []FaultKind{CutLink, NoisyLink}},
		{90 * time.Second, []FaultKind{NoisyLink}},
		{2 * time.Minute, []FaultKind{NoisyLink, DeadUnit}},
		{3 * time.Minute, []FaultKind{NoisyLink, DeadUnit}}, // one ends and the next begins
		{time.Hour, []FaultKind{NoisyLink, DeadUnit}},
	} {
		p.Advance(p.Start().Add(want.at))
		var got []FaultKind
		for _, f := range p.Faults() {
			got = append(got, f.Kind)
		}
		if !slices.Equal(got, want.faults) {
			t.Errorf("after %s: %v, want %v", want.at, got, want.faults)
		}
	}
	if l := p.rings[0].links[2]; l.noise != 0.5 {
		t.Errorf("share %g, want 0.5", l.noise)
	}
}

// A fault that cannot be set when its time comes is news, and the rest goes on.
func TestAnEventThatCannotBeIsNews(t *testing.T) {
	s, err := ParseScenario("s.yaml", []byte(`{format: 1, about: x, start: {time: "01:00"}, events: [
		{at: 1m, fault: equalize, on: mill/r0/u0},
		{at: 2m, fault: dead-unit, on: mill/r0/u1}]}`))
	if err != nil {
		t.Fatal(err)
	}
	p := newPlant(t, rings(1, 2), Options{Scenario: s})
	p.Advance(p.Start().Add(5 * time.Minute))
	news := p.News()
	if len(news) != 2 || news[0].Err == nil || news[1].Err != nil || !news[0].At.Equal(p.Start().Add(time.Minute)) {
		t.Errorf("news %+v", news)
	}
	if len(p.News()) != 0 {
		t.Error("news comes twice")
	}
}

func FuzzParseScenario(f *testing.F) {
	for _, glob := range []string{"testdata/bad/*.yaml", "../testdata/scenarios/*.yaml"} {
		files, _ := filepath.Glob(glob)
		for _, file := range files {
			f.Add(readFile(f, file))
		}
	}
	fl, maps := demo(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseScenario("s.yaml", data)
		if err == nil {
			p, err := New(fl, maps, Options{Scenario: s})
			if err == nil {
				p.Advance(p.Start().Add(time.Minute))
			}
		}
		for _, e := range userfile.Errors(err) {
			if e.Line < 1 || e.Column < 1 {
				t.Errorf("fault without a place: %v", e)
			}
		}
	})
}
