package metrics

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// busy returns metrics after a little of everything: two controllers that answer, one that is silent, one alarm of
// each sort of subject, a store, two ways to tell people.
func busy() *Metrics {
	c := &clock{noon}
	m := New(mill(), Options{
		Now: c.now, Version: "v0.1.0", Revision: "0123abc",
		Kinds: []fleet.KindInfo{{Kind: "link-down"}, {Kind: "site-silent"}},
		Store: func() StoreHealth {
			return StoreHealth{
				Commits: 40, CommitTime: 120 * time.Millisecond, LastCommit: noon.Add(-2 * time.Second),
				Buffered: 12, Dropped: 3, FileBytes: 1 << 20,
			}
		},
		Judgement: func() *Judgement {
			return &Judgement{
				Figures: alerts.Performance{
					PerHour: 0.5, MostIn10: 12, Floods: 1, FloodTime: 510 * time.Second, FloodShare: 0.0002, TopTenShare: 0.25,
					Chattering: make([]alerts.Frequency, 1), Fleeting: make([]alerts.Frequency, 3), ByPriority: [3]float64{0.5, 0.25, 0.25},
				},
				Disbelieve: alerts.Counts{Late: 5, NotFinite: 2},
			}
		},
		Notify: func() []NotifyHealth {
			return []NotifyHealth{{Sink: "mail", Sent: 7, Failed: 2, Waiting: 1}, {Sink: "desk", Sent: 4, Failed: 300, GivenUp: 1}}
		},
	})
	for _, g := range fleet.Groups {
		m.Put(answered("mill/north/birch", g, noon))
		m.Put(answered("mill/line/dogwood", g, noon))
	}
	m.Put(&fleet.Frame{Controller: "mill/north/cedar", Group: fleet.Fast, At: noon, Outcome: fleet.Silent, Took: time.Second})
	m.Put(&fleet.Frame{Controller: "mill/north/cedar", Group: fleet.Fast, At: noon, Outcome: fleet.Skipped})
	m.Put(&fleet.Frame{Controller: "nowhere/north/cedar", Group: fleet.Fast, At: noon, Outcome: fleet.Answered})
	m.PutChanges([]fleet.Change{
		raised("link-down", "mill/north/alder>birch", fleet.High),
		raised("controller-silent", "mill/north/cedar", fleet.Medium),
		raised("temperature-references", "mill/north", fleet.Low),
		raised("site-silent", "mill", fleet.High),
		{Alarm: fleet.Alarm{AlarmKey: fleet.AlarmKey{Kind: "site-silent", Subject: "mill"}, State: fleet.AlarmNormal}},
	})
	return m
}

func raised(kind fleet.Kind, subject fleet.Subject, p fleet.Priority) fleet.Change {
	return fleet.Change{At: noon, Alarm: fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: kind, Subject: subject}, State: fleet.Unacknowledged, Priority: p,
	}}
}

// The page that a scraper sees, whole. A person reads its diff.
func TestGolden(t *testing.T) { golden(t, "metrics.txt", exposition(t, busy())) }

// Prometheus' own linter has nothing to say, neither of this nor of an empty fleet.
func TestLint(t *testing.T) {
	empty, _ := quiet(&fleet.Fleet{})
	for name, m := range map[string]*Metrics{"busy": busy(), "empty": empty} {
		registry := prometheus.NewPedanticRegistry()
		registry.MustRegister(m)
		problems, err := testutil.GatherAndLint(registry)
		if err != nil || len(problems) > 0 {
			t.Errorf("%s: GatherAndLint = %v, %v, want nothing", name, problems, err)
		}
	}
}

// Every family passes the linter, also those that no fixture happens to expose.
func TestLintEveryFamily(t *testing.T) {
	for _, f := range families {
		registry := prometheus.NewPedanticRegistry()
		registry.MustRegister(oneSample{f})
		problems, err := testutil.GatherAndLint(registry)
		if err != nil || len(problems) > 0 {
			t.Errorf("%s: GatherAndLint = %v, %v, want nothing", f.name, problems, err)
		}
	}
}

type oneSample struct{ *family }

func (o oneSample) Describe(ch chan<- *prometheus.Desc) { ch <- o.desc }

func (o oneSample) Collect(ch chan<- prometheus.Metric) {
	ch <- &sample{o.family, newLabels(o.family, make([]string, len(o.labels))...), 1}
}

// The vocabulary of package fleet may grow: a new unit needs a name here, and the tables need their size.
func TestVocabulary(t *testing.T) {
	for _, word := range fleet.UnitWords() {
		u, _ := fleet.ParseUnit(word)
		if _, ok := unitNames[u.Base]; !ok {
			t.Errorf("unit %q has no name for metrics", u.Base)
		}
		if pointFamilies[unitKind{u.Base, true}] == nil || pointFamilies[unitKind{u.Base, false}] == nil {
			t.Errorf("unit %q has no family for points", u.Base)
		}
	}
	if len(fleet.Groups) != groupCount || len(fleet.Outcomes) != outcomeCount {
		t.Errorf("fleet has %d groups and %d outcomes, the tables %d and %d",
			len(fleet.Groups), len(fleet.Outcomes), groupCount, outcomeCount)
	}
	if last := fleet.Quality(qualityCount - 1).String(); last == "?" || fleet.Quality(qualityCount).String() != "?" {
		t.Errorf("fleet does not have %d qualities", qualityCount)
	}
}

// A reading lasts three periods from the instant it was due (10 s each here), one lost poll or not, and no longer.
func TestFreshness(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	m.Put(answered(id, fleet.Normal, noon))
	c.t = noon.Add(10 * time.Second)
	m.Put(&fleet.Frame{Controller: id, Group: fleet.Normal, At: c.t, Outcome: fleet.Silent})
	lines := exposed(t, m)
	wantLine(t, lines, "54.4", "ringwarden_battery_voltage_volts", `controller="birch"`)
	wantLine(t, lines, "0", "ringwarden_controller_up", `controller="birch"`)

	c.t = noon.Add(30 * time.Second)
	wantLine(t, exposed(t, m), "54.4", "ringwarden_battery_voltage_volts", `controller="birch"`)
	c.t = noon.Add(30*time.Second + time.Nanosecond)
	lines = exposed(t, m)
	for _, family := range []string{"volts", "celsius", "joules", "point", "unreadable"} {
		wantNone(t, lines, family, `controller="birch"`)
	}
	wantLine(t, lines, "0", "ringwarden_controller_up", `controller="birch"`)
	wantLine(t, lines, "1", "ringwarden_polls_total", `controller="birch"`, `outcome="silent"`)
}

// Groups age by their own periods: a setpoint read every ten minutes outlives a stage read every two seconds.
func TestFreshnessByGroup(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	m.Put(answered(id, fleet.Fast, noon))
	m.Put(answered(id, fleet.Slow, noon))
	c.t = noon.Add(7 * time.Second)
	lines := exposed(t, m)
	wantNone(t, lines, "ringwarden_stage", `controller="birch"`)
	wantLine(t, lines, "57.6", "ringwarden_setpoint_absorption_volts", `controller="birch"`)
}

// Nothing is known of a controller before its first poll, and that is no failure.
func TestBeforeTheFirstPoll(t *testing.T) {
	m, _ := quiet(mill())
	lines := exposed(t, m)
	wantNone(t, lines, "ringwarden_controller_up")
	wantLine(t, lines, "0", "ringwarden_polls_total", `controller="birch"`, `outcome="answered"`)
}

// A value that may not be believed has no series, and one that was believed a poll ago does not linger.
func TestOnlyGoodValues(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	m.Put(answered(id, fleet.Normal, noon))
	for q := range fleet.Quality(qualityCount) {
		c.t = c.t.Add(10 * time.Second)
		f := answered(id, fleet.Normal, c.t)
		f.Values[0].Quality = q
		m.Put(f)
		if found := with(exposed(t, m), "ringwarden_battery_voltage_volts"); (len(found) == 1) != (q == fleet.Good) {
			t.Errorf("quality %v exposes %q", q, found)
		}
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		c.t = c.t.Add(10 * time.Second)
		f := answered(id, fleet.Normal, c.t)
		f.Values[0].Number = bad
		m.Put(f)
		wantNone(t, exposed(t, m), "ringwarden_battery_voltage_volts")
	}
}

// A device's counter is exposed as it was read: whoever scrapes knows what a drop means.
func TestCounterThatDrops(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	for i, n := range []float64{81234, 12, -1} {
		c.t = noon.Add(time.Duration(i) * 2 * time.Second)
		f := answered(id, fleet.Fast, c.t)
		f.Values[1].Number = n
		m.Put(f)
		lines := exposed(t, m)
		if n < 0 { // no counter can be: OpenMetrics 1.0, Counter
			wantNone(t, lines, "ringwarden_link_good_frames_total")
			continue
		}
		wantLine(t, lines, fmt.Sprint(n), "ringwarden_link_good_frames_total")
	}
}

// The cable of a link metric is the one that feeds the controller; the head of a line has none.
func TestLinkLabels(t *testing.T) {
	m, _ := quiet(mill())
	for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch", "mill/line/dogwood", "mill/line/elm"} {
		m.Put(answered(id, fleet.Fast, noon))
	}
	lines := with(exposed(t, m), "ringwarden_link_good_frames_total")
	wantLine(t, lines, "81234", `controller="alder",link="cedar>alder"`)
	wantLine(t, lines, "81234", `controller="birch",link="alder>birch"`)
	wantLine(t, lines, "81234", `controller="elm",link="dogwood>elm"`)
	wantNone(t, lines, "dogwood\",")
}

// Exactly one stage is 1, as OpenMetrics 1.0 asks of a state set that is an enumeration.
func TestStateSets(t *testing.T) {
	m, _ := quiet(mill())
	m.Put(answered("mill/north/birch", fleet.Fast, noon))
	m.Put(answered("mill/north/birch", fleet.Normal, noon))
	lines := exposed(t, m)
	if stages := with(lines, "ringwarden_stage{"); len(stages) != len(fleet.Stages) || len(with(stages, "} 1")) != 1 {
		t.Errorf("stages = %q, want all of them and one that is 1", stages)
	}
	wantLine(t, lines, "1", "ringwarden_stage{", `stage="float"`)
	wantLine(t, lines, "0", "ringwarden_fault{", `fault="ground-fault"`)
	wantLine(t, lines, "1", "ringwarden_fault{", `fault="over-temperature"`) // bit 9, the second of that name
	wantLine(t, lines, "1", "ringwarden_point_state{", `state="closed"`)     // code 2, the second of that name
	wantLine(t, lines, "0", "ringwarden_point_state{", `state="open"`)
	wantLine(t, lines, "1", "ringwarden_point_flag{", `flag="hatch"`)
}

// Whatever a map or a device says, the page stays one that can be read.
func TestHostileText(t *testing.T) {
	const id = "mill/north/birch"
	f := mill()
	f.Sites[0].Name = "a \"mill\"\nup\\stream \xff"
	m, _ := quiet(f)
	frame := answered(id, fleet.Normal, noon)
	frame.Layout = fleet.NewLayout([]fleet.Point{
		{Name: "label\n", Form: fleet.FormText},
		{Name: "\xff\x00", Form: fleet.FormUnsigned},
		{Name: "\xff\x00", Form: fleet.FormUnsigned}, // twice, and
		{Name: "volts", Quantity: fleet.BatteryVoltage},
		{Name: "again", Quantity: fleet.BatteryVoltage}, // a quantity twice
		{Name: "odd", Unit: "furlong"},
	})
	frame.Values = make([]fleet.Value, 6)
	for i := range frame.Values {
		frame.Values[i] = fleet.Value{Text: "}\n# TYPE \xc3\x28 \"", Number: 7, Quality: fleet.Good}
	}
	m.Put(frame)
	lines := exposed(t, m)
	wantLine(t, lines, "1", `ringwarden_site_info{name="a \"mill\"\nup\\stream `+"\uFFFD")
	wantLine(t, lines, "1", `ringwarden_point_info{controller="birch",point="label\n"`, `text="}\n# TYPE `+"\uFFFD( \\\"\"")
	wantLine(t, lines, "7", "ringwarden_battery_voltage_volts{")
	wantLine(t, lines, "7", "ringwarden_point{", `point="odd"`)
}

// Frames that make no sense are counted, and nothing panics.
func TestHostileFrames(t *testing.T) {
	const id = "mill/north/birch"
	m, _ := quiet(mill())
	m.Put(&fleet.Frame{Controller: id, Group: 200, At: noon, Outcome: fleet.Answered})
	m.Put(&fleet.Frame{Controller: id, At: noon, Outcome: 200})
	m.Put(&fleet.Frame{Controller: id, At: noon, Outcome: fleet.Answered, Values: fastValues()}) // no layout
	short := answered(id, fleet.Fast, noon)
	short.Values = []fleet.Value{{Number: 99, Quality: fleet.Good}, {Quality: 77}}
	m.Put(short)
	lines := exposed(t, m)
	wantLine(t, lines, "2", "ringwarden_frames_ignored_total", `reason="unknown"`)
	if on := with(lines, "ringwarden_stage{", "} 1"); len(on) > 0 {
		t.Errorf("stage 99 exposes %q", on)
	}
}

// A frame that comes late never replaces a newer one; one from a future that the clock went back from does not keep
// out the present.
func TestOrder(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	put := func(at time.Time, volts float64) {
		f := answered(id, fleet.Normal, at)
		f.Values[0].Number = volts
		m.Put(f)
	}
	put(noon, 54)
	put(noon.Add(-10*time.Second), 51)
	lines := exposed(t, m)
	wantLine(t, lines, "54", "ringwarden_battery_voltage_volts")
	wantLine(t, lines, "1", "ringwarden_frames_ignored_total", `reason="late"`)
	put(noon.Add(time.Hour), 55)
	wantNone(t, exposed(t, m), "ringwarden_battery_voltage_volts")
	c.t = noon.Add(10 * time.Second)
	put(c.t, 56)
	wantLine(t, exposed(t, m), "56", "ringwarden_battery_voltage_volts")
}

// After a reload of its map a controller's frames have another layout: what follows is read by the new one.
func TestLayoutThatChanges(t *testing.T) {
	const id = "mill/north/birch"
	m, c := quiet(mill())
	m.Put(answered(id, fleet.Normal, noon))
	wantLine(t, exposed(t, m), "54.4", "ringwarden_battery_voltage_volts")
	c.t = noon.Add(10 * time.Second)
	f := answered(id, fleet.Normal, c.t)
	f.Layout = fleet.NewLayout([]fleet.Point{number("power", fleet.OutputPower), number("bank_voltage", fleet.BatteryVoltage)})
	f.Values = []fleet.Value{{Number: 900, Quality: fleet.Good}, {Number: 55, Quality: fleet.Good}}
	m.Put(f)
	lines := exposed(t, m)
	wantLine(t, lines, "55", "ringwarden_battery_voltage_volts")
	wantLine(t, lines, "900", "ringwarden_output_power_watts")
	wantNone(t, lines, "ringwarden_point")
}

// Metrics keep nothing of a frame: the poller uses its memory again.
func TestPutKeepsNothing(t *testing.T) {
	m, _ := quiet(mill())
	f := answered("mill/north/birch", fleet.Normal, noon)
	m.Put(f)
	clear(f.Values)
	wantLine(t, exposed(t, m), "54.4", "ringwarden_battery_voltage_volts")
}

func TestUpdate(t *testing.T) {
	m := busy()
	next := mill()
	north := &next.Sites[0].Rings[0]
	north.Controllers[0].Name = "Alder by the stream"
	north.Controllers = []fleet.Controller{north.Controllers[0], north.Controllers[2], north.Controllers[1]} // cable now from cedar
	next.Sites[0].Rings = next.Sites[0].Rings[:1]                                                            // the line is gone
	next.Sites = append(next.Sites, fleet.Site{ID: "weir", Rings: []fleet.Ring{{ID: "weir/w", Controllers: []fleet.Controller{{ID: "weir/w/elm"}}}}})
	m.Update(next)
	lines := exposed(t, m)
	wantLine(t, lines, "54.4", "ringwarden_battery_voltage_volts", `controller="birch"`)
	wantLine(t, lines, "3", "ringwarden_polls_total", `controller="birch"`, `outcome="answered"`)
	wantLine(t, lines, "81234", "ringwarden_link_good_frames_total", `link="cedar>birch"`)
	wantLine(t, lines, "1", "ringwarden_controller_info", `name="Alder by the stream"`)
	wantNone(t, lines, "dogwood")
	wantNone(t, lines, "alder>birch") // the cable is gone, and with it its alarm
	wantLine(t, lines, "1", "ringwarden_alarm{", `controller="cedar"`, `state="unacknowledged"`)
	wantLine(t, lines, "6", "ringwarden_poll_duration_seconds_count", `site="mill"`)

	m.Update(&fleet.Fleet{Periods: next.Periods, Sites: next.Sites[1:]})
	lines = exposed(t, m)
	wantNone(t, lines, `"mill"`)
	wantLine(t, lines, "0", "ringwarden_poll_duration_seconds_count", `site="weir"`)

	m.Update(mill()) // what comes back starts anew
	lines = exposed(t, m)
	wantNone(t, lines, "ringwarden_alarm{")
	wantNone(t, lines, "ringwarden_battery_voltage_volts")
	wantLine(t, lines, "0", "ringwarden_polls_total", `controller="birch"`, `outcome="answered"`)
}

// An alarm is there with all its states while it is not normal, then gone; a restart brings it back uncounted.
func TestAlarms(t *testing.T) {
	const subject = "mill/north/alder>birch"
	m, _ := quiet(mill())
	m.Restore([]fleet.Alarm{raised("link-down", subject, fleet.High).Alarm, raised("link-down", "gone", fleet.High).Alarm})
	lines := exposed(t, m)
	if states := with(lines, "ringwarden_alarm{"); len(states) != len(fleet.AlarmStates) {
		t.Errorf("states = %q, want one of each", states)
	}
	wantLine(t, lines, "1", `ringwarden_alarm{controller="",kind="link-down",link="alder>birch",priority="high",ring="north",site="mill",state="unacknowledged"}`)
	wantNone(t, lines, "ringwarden_alarm_changes_total")

	step := raised("link-down", subject, fleet.High)
	step.Alarm.State = fleet.Acknowledged
	m.PutChanges([]fleet.Change{step})
	lines = exposed(t, m)
	wantLine(t, lines, "0", "ringwarden_alarm{", `state="unacknowledged"`)
	wantLine(t, lines, "1", "ringwarden_alarm{", `state="acknowledged"`)
	wantLine(t, lines, "1", "ringwarden_alarm_changes_total", `state="acknowledged"`)

	step.Alarm.State = fleet.AlarmNormal
	m.PutChanges([]fleet.Change{step})
	wantNone(t, exposed(t, m), "ringwarden_alarm{")
}

// Late is counted for polls that went out, and the time of an answer for answers alone.
func TestHistograms(t *testing.T) {
	const id = "mill/north/birch"
	m, _ := quiet(mill())
	for _, o := range fleet.Outcomes {
		f := answered(id, fleet.Normal, noon)
		f.Outcome, f.Late, f.Took = o, 300*time.Millisecond, 20*time.Millisecond
		m.Put(f)
	}
	lines := exposed(t, m)
	wantLine(t, lines, "1", "ringwarden_poll_duration_seconds_count", `site="mill"`)
	wantLine(t, lines, "0", "ringwarden_poll_duration_seconds_bucket", `le="0.01"`)
	wantLine(t, lines, "1", "ringwarden_poll_duration_seconds_bucket", `le="0.025"`)
	wantLine(t, lines, "4", "ringwarden_poll_lateness_seconds_count", `group="normal"`)
	wantLine(t, lines, "0", "ringwarden_poll_lateness_seconds_bucket", `group="normal"`, `le="0.25"`)
	wantLine(t, lines, "4", "ringwarden_poll_lateness_seconds_bucket", `group="normal"`, `le="0.5"`)
	for _, o := range fleet.Outcomes {
		wantLine(t, lines, "1", "ringwarden_polls_total", `controller="birch"`, fmt.Sprintf("outcome=%q", o))
	}
}

// The road, a reload and scrapers meet. A scrape sees each frame whole: both numbers are of the same poll.
func TestTogether(t *testing.T) {
	const id = "mill/north/birch"
	m, _ := quiet(mill())
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			f := answered(id, fleet.Fast, noon)
			for i := range 300 {
				f.Values[1].Number, f.Values[2].Number = float64(i), float64(i)
				m.Put(f)
			}
		})
	}
	wg.Go(func() {
		for range 30 {
			m.Update(mill())
			m.PutChanges([]fleet.Change{raised("link-down", "mill/north/alder>birch", fleet.High)})
		}
	})
	var torn []string
	wg.Go(func() {
		for range 30 {
			lines := exposed(t, m)
			good, bad := with(lines, "ringwarden_link_good_frames_total"), with(lines, "ringwarden_link_bad_frames_total")
			if len(good) == 1 && len(bad) == 1 && good[0][strings.LastIndexByte(good[0], ' '):] != bad[0][strings.LastIndexByte(bad[0], ' '):] {
				torn = append(torn, good[0], bad[0])
			}
		}
	})
	wg.Wait()
	if len(torn) > 0 {
		t.Errorf("a scrape saw half a frame: %q", torn)
	}
	wantLine(t, exposed(t, m), "900", "ringwarden_polls_total", `controller="birch"`, `outcome="answered"`)
}
