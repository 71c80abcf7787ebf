package store_test

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// bench is a map of our own: one point of each form, one that another scales, one that an offset shifts.
var bench = fleet.NewLayout([]fleet.Point{
	{Name: "bank_voltage", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
	{
		Name: "charge_stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 8,
		Names: []fleet.Name{{Code: 0, Word: "off"}, {Code: 3, Word: "bulk"}, {Code: 5, Word: "float"}},
	},
	{Name: "bank_current", Quantity: fleet.BatteryCurrent, Unit: fleet.Ampere, Form: fleet.FormSigned, Mul: 1, Div: 100, Bits: 16},
	{Name: "panel_voltage", Quantity: fleet.InputVoltage, Unit: fleet.Volt, Mul: 1, Div: 1, ScaledBy: "exponent", Bits: 16},
	{Name: "exponent", Form: fleet.FormSigned, Mul: 1, Div: 1, Bits: 16},
	{Name: "bank_warmth", Quantity: fleet.BatteryTemperature, Unit: fleet.Celsius, Mul: 1, Div: 10, Add: -40, Bits: 16},
	{Name: "energy", Quantity: fleet.EnergyLifetime, Unit: fleet.Joule, Mul: 360000, Div: 1, Bits: 32, Counter: true},
	{Name: "inside", Quantity: fleet.InternalTemperature, Unit: fleet.Celsius, Form: fleet.FormFloat32, Mul: 1, Div: 1, Bits: 32},
	{Name: "fine", Form: fleet.FormFloat64, Mul: 1, Div: 1, Bits: 64},
	{Name: "version", Quantity: fleet.Firmware, Form: fleet.FormText, Mul: 1, Div: 1},
	{Name: "faults", Quantity: fleet.Faults, Mul: 1, Div: 1, Bits: 32, Flags: []fleet.Name{{Code: 0, Word: fleet.GroundFault}}},
})

// A model is what a store should be: plain lists.
type model struct {
	frames  []fleet.Frame
	changes []fleet.Change
	moved   bool // there was a fold, or frames were dropped

	newest time.Time // when the store was opened last
	parted int64     // how often frames had to be kept apart
	apart  bool      // in this run they are
}

// append takes frames as the store does: those that are not newer than all that was there lie some nanoseconds later.
func (m *model) append(frames []fleet.Frame) {
	for _, f := range frames {
		if !f.At.After(m.newest) {
			if !m.apart {
				m.apart, m.parted = true, m.parted+1
			}
			if f.At.Before(time.Unix(0, math.MaxInt64-m.parted)) {
				f.At = f.At.Add(time.Duration(m.parted))
			}
		}
		m.frames = append(m.frames, f)
	}
}

// reopen begins a run.
func (m *model) reopen() {
	m.apart, m.newest = false, time.Time{}
	for _, f := range m.frames {
		if f.At.After(m.newest) {
			m.newest = f.At
		}
	}
}

func (m *model) query(q store.Query) []fleet.Frame {
	var want []fleet.Frame
	for _, f := range m.frames {
		if (q.Controllers == nil || slices.Contains(q.Controllers, f.Controller)) &&
			(q.From.IsZero() || !f.At.Before(q.From)) && (q.To.IsZero() || f.At.Before(q.To)) {
			want = append(want, f)
		}
	}
	sortFrames(want)
	return slices.CompactFunc(want, func(a, b fleet.Frame) bool { return compareFrames(a, b) == 0 })
}

func compareFrames(a, b fleet.Frame) int {
	return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Controller, b.Controller), cmp.Compare(a.Group, b.Group))
}

func sortFrames(frames []fleet.Frame) { slices.SortStableFunc(frames, compareFrames) }

func (m *model) latest(id fleet.ControllerID) []fleet.Frame {
	var want []fleet.Frame
	for _, g := range fleet.Groups {
		var best *fleet.Frame
		for i := range m.frames {
			f := &m.frames[i]
			if f.Controller == id && f.Group == g && f.Outcome == fleet.Answered && (best == nil || f.At.After(best.At)) {
				best = f
			}
		}
		if best != nil {
			want = append(want, *best)
		}
	}
	return want
}

func (m *model) standing() []fleet.Alarm {
	last := make(map[fleet.AlarmKey]fleet.Alarm)
	for _, c := range m.changes {
		last[c.Alarm.AlarmKey] = c.Alarm
	}
	var want []fleet.Alarm
	for _, a := range last {
		if a.State != fleet.AlarmNormal {
			want = append(want, a)
		}
	}
	slices.SortFunc(want, func(a, b fleet.Alarm) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	return want
}

var (
	drawController = rapid.SampledFrom([]fleet.ControllerID{"mill/north/alder", "mill/north/birch", "mill/north", "weir/a/\xff"})
	drawInstant    = rapid.Map(rapid.Int64Range(-3, 12), func(n int64) time.Time { return noon.Add(time.Duration(n) * 10 * time.Second) })
	drawOddTime    = rapid.Map(rapid.Int64(), func(n int64) time.Time { return time.Unix(0, n).UTC() })
	drawTime       = rapid.OneOf(drawInstant, drawInstant, drawInstant, drawOddTime)
	drawLayout     = rapid.SampledFrom([]*fleet.Layout{bench, small})
	drawRaw        = rapid.OneOf(rapid.Uint64(), rapid.Uint64Range(0, 1000), rapid.SampledFrom([]uint64{0, 3, 5, math.MaxUint64, 1 << 32, 0x7fc00000}))
)

// drawValue gives values as a map decodes them, and others that no map does.
func drawValue(t *rapid.T, p *fleet.Point) fleet.Value {
	v := fleet.Value{Quality: fleet.Quality(rapid.IntRange(0, 5).Draw(t, "quality"))}
	if rapid.Bool().Draw(t, "good") {
		v.Quality = fleet.Good
	}
	if p.Form == fleet.FormText || rapid.IntRange(0, 20).Draw(t, "odd") == 0 {
		v.Text = rapid.String().Draw(t, "text")
	}
	if p.Form != fleet.FormText || rapid.IntRange(0, 20).Draw(t, "odd") == 0 {
		v.Raw = drawRaw.Draw(t, "raw")
	}
	switch rapid.IntRange(0, 4).Draw(t, "number") {
	case 0:
		v.Number = rapid.Float64().Draw(t, "any")
	case 1:
		v.Number = p.Scaled(v.Raw, rapid.IntRange(-12, 12).Draw(t, "exponent")) // also not a number
	case 2, 3:
		v.Number = p.Number(v.Raw)
	}
	return v
}

func drawFrame(t *rapid.T) fleet.Frame {
	f := fleet.Frame{
		Controller: drawController.Draw(t, "controller"),
		Group:      rapid.SampledFrom(fleet.Groups).Draw(t, "group"),
		At:         drawTime.Draw(t, "at"),
		Late:       time.Duration(rapid.Int64().Draw(t, "late")),
		Took:       time.Duration(rapid.Int64Range(0, 1e9).Draw(t, "took")),
		Outcome:    rapid.SampledFrom(fleet.Outcomes).Draw(t, "outcome"),
		Restamped:  rapid.IntRange(0, 9).Draw(t, "restamped") == 0,
	}
	if rapid.Bool().Draw(t, "whole milliseconds") {
		f.Late, f.Took = f.Late.Truncate(time.Millisecond), f.Took.Truncate(time.Millisecond)
	}
	if rapid.IntRange(0, 3).Draw(t, "values") > 0 {
		f.Layout = drawLayout.Draw(t, "layout")
		for i := range f.Layout.Points {
			f.Values = append(f.Values, drawValue(t, &f.Layout.Points[i]))
		}
	}
	return f
}

func drawChange(t *rapid.T) fleet.Change {
	c := raised(drawInstant.Draw(t, "at"), rapid.SampledFrom([]fleet.Kind{"link-down", "stage-split"}).Draw(t, "kind"),
		rapid.SampledFrom([]fleet.Subject{"mill/north/alder>birch", "mill/north", ""}).Draw(t, "subject"))
	c.Alarm.State = rapid.SampledFrom(fleet.AlarmStates).Draw(t, "state")
	c.Alarm.Text, c.Who = rapid.String().Draw(t, "text"), rapid.String().Draw(t, "who")
	if rapid.Bool().Draw(t, "bare") {
		c.Alarm.Since, c.Alarm.Figures = time.Time{}, nil
	}
	return c
}

// bits compares numbers by their bits: what is stored comes back as it was, minus zero and not-a-number included.
var bits = gocmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })

// Whatever is appended, in whatever order, with restarts in between: what a plain list says is what the store says.
func TestStoreIsAPlainList(t *testing.T) {
	folder, runs := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		runs++
		path := filepath.Join(folder, fmt.Sprint(runs, ".db"))
		s := open(rt, path)
		var m model
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			switch rapid.IntRange(0, 8).Draw(rt, "step") {
			case 5, 6:
				m.moved = true
				if err := s.Fold(context.Background(), drawTime.Draw(rt, "fold before")); err != nil {
					rt.Fatal(err)
				}
			case 7:
				m.moved = true
				before := drawInstant.Draw(rt, "drop before")
				if _, err := s.DropBefore(context.Background(), store.KindRaw, before); err != nil {
					rt.Fatal(err)
				}
				m.drop(rt, s, before)
			case 8:
				m.moved = true
				due := drawInstant.Draw(rt, "fold due").Add(time.Duration(rapid.IntRange(0, 30).Draw(rt, "hours")) * time.Hour)
				if err := s.FoldDue(context.Background(), due); err != nil {
					rt.Fatal(err)
				}
			case 0, 1, 2:
				batch := rapid.SliceOfN(rapid.Custom(drawFrame), 1, 40).Draw(rt, "batch")
				if err := s.Append(context.Background(), batch); err != nil {
					rt.Fatal(err)
				}
				m.append(batch)
			case 3:
				batch := rapid.SliceOfN(rapid.Custom(drawChange), 1, 5).Draw(rt, "changes")
				if err := s.PutChanges(context.Background(), batch); err != nil {
					rt.Fatal(err)
				}
				m.changes = append(m.changes, batch...)
			case 4:
				if err := s.Close(); err != nil {
					rt.Fatal(err)
				}
				s = open(rt, path)
				m.reopen()
			}
		}
		m.compare(rt, s)
		if err := s.Close(); err != nil {
			rt.Fatal(err)
		}
		storetest.Check(t, path)
	})
}

// drop forgets what is older than before, as far as the store has: chunks go as a whole.
func (m *model) drop(t *rapid.T, s *store.Store, before time.Time) {
	there := make(map[string]bool)
	name := func(f fleet.Frame) string { return fmt.Sprint(f.Controller, f.Group, f.At.UnixNano()) }
	for f, err := range s.Frames(context.Background(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		there[name(f)] = true
	}
	m.frames = slices.DeleteFunc(m.frames, func(f fleet.Frame) bool {
		return f.At.Before(before) && !there[name(f)]
	})
}

// samples returns what a list says of a point.
func (m *model) samples(q store.Query, point string) []store.Sample {
	var want []store.Sample
	for _, f := range m.query(q) {
		if f.Layout == nil {
			continue
		}
		if i, ok := f.Layout.Named(point); ok {
			want = append(want, store.Sample{At: f.At, Value: f.Values[i], Point: &f.Layout.Points[i]})
		}
	}
	return want
}

func open(t *rapid.T, path string) *store.Store {
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (m *model) compare(t *rapid.T, s *store.Store) {
	ctx := context.Background()
	differs := func(what string, want, got any, err error) {
		if d := gocmp.Diff(want, got, append(sameFrames, bits)...); d != "" || err != nil {
			t.Fatalf("%s (-want +got), %v:\n%s", what, err, d)
		}
	}
	queries := []store.Query{{}, {
		Controllers: rapid.SliceOf(drawController).Draw(t, "of"), From: drawTime.Draw(t, "from"), To: drawTime.Draw(t, "to"),
	}}
	for _, q := range queries {
		var got []fleet.Frame
		for f, err := range s.Frames(ctx, q) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, f)
		}
		differs(fmt.Sprintf("Frames(%v)", q), m.query(q), got, nil)
	}
	for _, id := range []fleet.ControllerID{"mill/north/alder", "weir/a/\xff"} {
		for _, point := range []string{"volts", "bank_current", "panel_voltage", "inside", "version"} {
			var got []store.Sample
			for v, err := range s.Samples(ctx, id, point, queries[1].From, queries[1].To) {
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, v)
			}
			want := m.samples(store.Query{Controllers: []fleet.ControllerID{id}, From: queries[1].From, To: queries[1].To}, point)
			differs("Samples of "+point, want, got, nil)
		}
	}
	for _, f := range m.frames {
		if m.moved { // of two frames that are the same, memory may have judged by the one that a fold let go
			break
		}
		got, err := s.Latest(ctx, f.Controller)
		differs("Latest", m.latest(f.Controller), got, err)
	}
	standing, err := s.Standing(ctx)
	differs("Standing", m.standing(), standing, err)
	var changes []fleet.Change
	for c, err := range s.Changes(ctx, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		changes = append(changes, c)
	}
	slices.SortStableFunc(m.changes, func(a, b fleet.Change) int { return a.At.Compare(b.At) })
	differs("Changes", m.changes, changes, nil)
}
