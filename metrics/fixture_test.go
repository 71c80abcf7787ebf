package metrics

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"ringwarden/fleet"
)

var update = flag.Bool("update", false, "rewrite golden files and tables")

// noon is the instant of most tests.
var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// mill returns a site with a closed ring of three and a line of two, as the fleet file would give it.
func mill() *fleet.Fleet {
	unit := func(ring fleet.RingID, slug, name string, source fleet.Source, rated float64) fleet.Controller {
		return fleet.Controller{ID: fleet.ControllerID(string(ring) + "/" + slug), Name: name, Source: source, Rated: rated}
	}
	return &fleet.Fleet{
		Periods: fleet.Periods{Fast: 2 * time.Second, Normal: 10 * time.Second, Slow: 10 * time.Minute},
		Sites: []fleet.Site{{ID: "mill", Name: "The old mill", Zone: time.UTC, Rings: []fleet.Ring{
			{ID: "mill/north", Name: "North", Controllers: []fleet.Controller{
				unit("mill/north", "alder", "Alder", fleet.PV, 3000), unit("mill/north", "birch", "Birch", fleet.Wind, 1500),
				unit("mill/north", "cedar", "Cedar", fleet.PV, 0),
			}},
			{ID: "mill/line", Name: "Line", Open: true, Controllers: []fleet.Controller{
				unit("mill/line", "dogwood", "Dogwood", fleet.Hydro, 0), unit("mill/line", "elm", "Elm", fleet.Other, 0),
			}},
		}}},
	}
}

func number(name string, q fleet.Quantity) fleet.Point {
	return fleet.Point{Name: name, Quantity: q, Unit: q.Unit(), Mul: 1, Div: 1, Counter: q.Counter()}
}

// fastLayout has what is read often: stage, link counters, faults.
var fastLayout = fleet.NewLayout([]fleet.Point{
	number("charge_stage", fleet.QuantityStage),
	number("heard_good", fleet.LinkGood),
	number("heard_bad", fleet.LinkBad),
	number("heard", fleet.LinkOK),
	number("heard_age", fleet.LinkAge),
	{Name: "fault_word", Quantity: fleet.Faults, Flags: []fleet.Name{
		{Code: 0, Word: fleet.GroundFault}, {Code: 3, Word: "over-temperature"}, {Code: 9, Word: "over-temperature"},
	}},
})

func fastValues() []fleet.Value {
	return []fleet.Value{
		{Number: float64(fleet.Float), Raw: 5, Quality: fleet.Good},
		{Number: 81234, Raw: 81234, Quality: fleet.Good},
		{Number: 17, Raw: 17, Quality: fleet.Good},
		{Number: 1, Raw: 1, Quality: fleet.Good},
		{Number: 0.4, Raw: 4, Quality: fleet.Good},
		{Number: 1 << 9, Raw: 1 << 9, Quality: fleet.Good},
	}
}

// normalLayout has measurements, and points that no quantity covers.
var normalLayout = fleet.NewLayout([]fleet.Point{
	number("bank_voltage", fleet.BatteryVoltage),
	number("bank_current", fleet.BatteryCurrent),
	number("bank_temperature", fleet.BatteryTemperature),
	number("panel_voltage", fleet.InputVoltage),
	number("power", fleet.OutputPower),
	number("lifetime", fleet.EnergyLifetime),
	number("sensor", fleet.SensorPresent),
	number("inside", fleet.InternalTemperature),
	{Name: "fan", Unit: fleet.Hertz},
	{Name: "starts", Counter: true},
	{Name: "relay", Names: []fleet.Name{{Code: 0, Word: "open"}, {Code: 1, Word: "closed"}, {Code: 2, Word: "closed"}}},
	{Name: "inputs", Flags: []fleet.Name{{Code: 0, Word: "door"}, {Code: 1, Word: "hatch"}}},
	{Name: "nameplate", Form: fleet.FormText},
})

func normalValues() []fleet.Value {
	good := func(n float64) fleet.Value { return fleet.Value{Number: n, Raw: uint64(n), Quality: fleet.Good} }
	return []fleet.Value{
		{Number: 54.4, Raw: 544, Quality: fleet.Good},
		{Number: -1.5, Raw: 1 << 15, Quality: fleet.Good},
		{Quality: fleet.Absent},
		{Number: 655.35, Quality: fleet.Implausible},
		good(812),
		good(3.6e6 * 1204), // 1,204 kWh
		good(1),
		{Quality: fleet.Unreadable},
		good(32.5), good(7), good(2), good(2),
		{Text: "Larkspur 60", Quality: fleet.Good},
	}
}

var slowLayout = fleet.NewLayout([]fleet.Point{
	number("absorb_at", fleet.SetpointAbsorption),
	number("slope", fleet.SetpointTemperatureSlope),
	number("ring_no", fleet.RingAddress),
	number("shares_sensor", fleet.RoleTemperatureReference),
	{Name: "version", Quantity: fleet.Firmware},
})

func slowValues() []fleet.Value {
	good := func(n float64) fleet.Value { return fleet.Value{Number: n, Quality: fleet.Good} }
	return []fleet.Value{good(57.6), good(-0.005), good(2), good(1), good(2.14)}
}

func answered(id fleet.ControllerID, g fleet.Group, at time.Time) *fleet.Frame {
	f := &fleet.Frame{
		Controller: id, Group: g, At: at, Late: 3 * time.Millisecond, Took: 40 * time.Millisecond,
		Outcome: fleet.Answered,
	}
	switch g {
	case fleet.Fast:
		f.Layout, f.Values = fastLayout, fastValues()
	case fleet.Normal:
		f.Layout, f.Values = normalLayout, normalValues()
	case fleet.Slow:
		f.Layout, f.Values = slowLayout, slowValues()
	}
	return f
}

// clock is a settable Options.Now.
type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

// quiet returns the metrics of a fleet at noon without a store, and their clock.
func quiet(f *fleet.Fleet) (*Metrics, *clock) {
	c := &clock{noon}
	return New(f, Options{Now: c.now}), c
}

// exposed returns the lines that m exposes in the classic format, without comments. The registry is a pedantic one:
// it also refuses series whose labels are not those of their family.
func exposed(t *testing.T, m *Metrics) []string {
	t.Helper()
	var lines []string
	for line := range strings.Lines(exposition(t, m)) {
		if !strings.HasPrefix(line, "#") {
			lines = append(lines, strings.TrimSuffix(line, "\n"))
		}
	}
	return lines
}

func exposition(t *testing.T, m *Metrics) string {
	t.Helper()
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(m)
	all, err := registry.Gather()
	if err != nil {
		t.Fatalf("Gather: %v", err)
	}
	var b bytes.Buffer
	for _, mf := range all {
		if _, err := expfmt.MetricFamilyToText(&b, mf); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

// with returns the lines that contain all of parts.
func with(lines []string, parts ...string) []string {
	var found []string
	for _, l := range lines {
		all := true
		for _, p := range parts {
			all = all && strings.Contains(l, p)
		}
		if all {
			found = append(found, l)
		}
	}
	return found
}

// wantLine wants exactly one line with all of parts, and its value.
func wantLine(t *testing.T, lines []string, value string, parts ...string) {
	t.Helper()
	found := with(lines, parts...)
	if len(found) != 1 || !strings.HasSuffix(found[0], " "+value) {
		t.Errorf("lines with %q = %q, want one with value %s", parts, found, value)
	}
}

func wantNone(t *testing.T, lines []string, parts ...string) {
	t.Helper()
	if found := with(lines, parts...); len(found) > 0 {
		t.Errorf("lines with %q = %q, want none", parts, found)
	}
}

// golden compares text with a file of testdata, or rewrites it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("differs from %s; see what changed with git diff after go test ./metrics -update\ngot:\n%s", path, got)
	}
}
