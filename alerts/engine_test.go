package alerts

import (
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// Whoever writes a rule reads this table: each number has a place it comes from and limits that hold its default.
func TestKindsAreWellFormed(t *testing.T) {
	name := regexp.MustCompile(`^[a-z][a-z_]*$`)
	seen := map[fleet.Kind]bool{}
	for _, k := range Kinds() {
		if seen[k.Kind] || !regexp.MustCompile(`^[a-z]+(-[a-z]+)+$`).MatchString(string(k.Kind)) {
			t.Errorf("kind %q is doubled or no slug", k.Kind)
		}
		seen[k.Kind] = true
		if k.About == "" || strings.HasSuffix(k.About, ".") || !strings.Contains(" site ring controller link store ", " "+k.Subject+" ") {
			t.Errorf("%s: about %q, subject %q", k.Kind, k.About, k.Subject)
		}
		if len(k.Thresholds) > mostThresholds {
			t.Errorf("%s has %d thresholds, more than settings hold", k.Kind, len(k.Thresholds))
		}
		names := map[string]bool{}
		for _, th := range k.Thresholds {
			if names[th.Name] || !name.MatchString(th.Name) || th.Why == "" || th.Min >= th.Max || th.Default < th.Min || th.Default > th.Max {
				t.Errorf("%s: threshold %+v", k.Kind, th)
			}
			names[th.Name] = true
		}
	}
	if len(seen) != int(kindCount) {
		t.Errorf("%d kinds, want %d", len(seen), kindCount)
	}
}

// A later rule wins where both apply; a rule for a place holds for what is inside it.
func TestRules(t *testing.T) {
	yes, no := true, false
	minute, high := time.Minute, fleet.High
	rules := fleet.Rules{
		{Kind: "link-noisy", Disabled: &yes},
		{Kind: "temperature-split", OnDelay: &minute, Thresholds: map[string]float64{"difference": 5}},
		{Kind: "temperature-split", At: "mill/north", Thresholds: map[string]float64{"deadband": 1}},
		{Kind: "temperature-split", At: "mill/north/birch", Priority: &high, Thresholds: map[string]float64{"difference": 7}},
		{Kind: "link-noisy", At: "mill", Disabled: &no},
		{Kind: "temperature-split", At: "mill/northern", Thresholds: map[string]float64{"difference": 9}},
	}
	info := &detectors[temperatureSplit].info
	birch := settingsFor(info, "mill/north/birch", rules)
	alder := settingsFor(info, "mill/north/alder", rules)
	if birch.thresholds[splitDifference] != 7 || birch.thresholds[splitDeadband] != 1 || birch.priority != fleet.High || birch.hold.On != minute {
		t.Errorf("birch: %+v", birch)
	}
	if alder.thresholds[splitDifference] != 5 || alder.priority != fleet.Medium {
		t.Errorf("alder: %+v", alder)
	}
	noisy := &detectors[linkNoisy].info
	if settingsFor(noisy, "mill/north/alder>birch", rules).disabled || !settingsFor(noisy, "farm/north/a>b", rules).disabled {
		t.Error("the later rule for the mill does not win there, or wins elsewhere")
	}
}

// What a wrong temperature costs, against references 4.1: 24 cells x 5 mV x 10 °C = 1.2 V; 6 cells, +5 °C: -150 mV.
func TestCost(t *testing.T) {
	tests := []struct {
		bank fleet.Bank
		diff float64
		want float64
		ok   bool
	}{
		{fleet.Bank{Chemistry: fleet.FloodedLead, Cells: 24, TemperatureSlope: -0.005}, -10, 1.2, true},
		{fleet.Bank{Chemistry: fleet.FloodedLead, Nominal: 12, TemperatureSlope: -0.005}, 5, -0.15, true},
		{fleet.Bank{Chemistry: fleet.SealedLead, Nominal: 48, TemperatureSlope: -0.004}, 15, -1.44, true}, // 54.0 V at 25 °C is 52.56 V at 40 °C
		{fleet.Bank{Chemistry: fleet.Lithium, Nominal: 48, Cells: 16}, 10, 0, false},
		{fleet.Bank{Nominal: 48, TemperatureSlope: -0.005}, 10, 0, false},
	}
	for _, test := range tests {
		u := &unit{c: &fleet.Controller{}, ring: &ring{f: &fleet.Ring{Bank: test.bank}}}
		got, text, ok := u.cost(test.diff)
		if ok != test.ok || math.Abs(got-test.want) > 1e-9 {
			t.Errorf("cost of %g °C on %+v = %g %q %v, want %g %v", test.diff, test.bank, got, text, ok, test.want, test.ok)
		}
	}
}

// An alarm whose controller was taken out of the fleet file, or whose kind is disabled now, must not stand for ever.
func TestRestoreEndsWhatIsNoMore(t *testing.T) {
	f := pair()
	yes := true
	f.Rules = fleet.Rules{{Kind: "fault-trip", Disabled: &yes}}
	e := New(f)
	standing := []fleet.Alarm{
		{AlarmKey: fleet.AlarmKey{Kind: "controller-silent", Subject: "mill/north/oak"}, State: fleet.Acknowledged},
		{AlarmKey: fleet.AlarmKey{Kind: "fault-trip", Subject: "mill/north/alder"}, State: fleet.Unacknowledged},
	}
	e.Restore(standing)
	if n := len(e.Alarms()); n != 2 {
		t.Fatalf("%d alarms after Restore, want 2", n)
	}
	changes := e.Advance(noon)
	if len(changes) != 2 || len(e.Alarms()) != 0 {
		t.Fatalf("changes %+v, alarms %+v", changes, e.Alarms())
	}
	for i, c := range changes {
		if c.From != standing[i].State || c.Alarm.State != fleet.AlarmNormal || c.Why == "" {
			t.Errorf("change %+v", c)
		}
	}
}

// Acknowledging what is not there is told, not ignored.
func TestAcknowledgeErrors(t *testing.T) {
	e := New(pair())
	for _, key := range []fleet.AlarmKey{{Kind: "controller-silent", Subject: "mill/north/oak"}, {Kind: "controller-silent", Subject: "mill/north/alder"}} {
		if _, err := e.Acknowledge(key, "Ann", "", noon); err == nil || !strings.HasPrefix(err.Error(), "acknowledging controller-silent on mill/north/") {
			t.Errorf("Acknowledge(%v) = %v", key, err)
		}
	}
}

// A laptop that slept for two hours must not wake with the news that every site is silent; after three polls without
// an answer it is news.
func TestBreakInListeningIsNoSilence(t *testing.T) {
	e := New(pair())
	frame := func(at time.Time, o fleet.Outcome) {
		for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
			f := stageFrame(at, good(float64(fleet.Bulk)))
			f.Controller = id
			if f.Outcome = o; o != fleet.Answered {
				f.Layout, f.Values = nil, nil
			}
			e.Put(f)
		}
	}
	for i := range 10 {
		at := noon.Add(time.Duration(i) * 10 * time.Second)
		frame(at, fleet.Answered)
		if c := e.Advance(at); len(c) > 0 {
			t.Fatalf("changes in health: %+v", c)
		}
	}
	woken := noon.Add(2 * time.Hour)
	for i := range 3 {
		at := woken.Add(time.Duration(i) * 10 * time.Second)
		c := e.Advance(at)
		if len(c) > 0 {
			t.Fatalf("%v after waking: %+v", at.Sub(woken), c)
		}
		frame(at, fleet.Silent)
	}
	c := e.Advance(woken.Add(21 * time.Second))
	if len(c) != 3 || c[0].Alarm.Kind != "site-silent" || c[1].Alarm.State != fleet.Suppressed {
		t.Errorf("three missed polls after waking: %+v, want the site's silence with its controllers' explained", c)
	}
}
