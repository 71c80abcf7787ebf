package fleet_test

import (
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ringwarden/fleet"
)

func TestIDs(t *testing.T) {
	c := fleet.ControllerID("mill/north/alder")
	if c.Slug() != "alder" || c.Ring() != "mill/north" || c.Site() != "mill" || c.Ring().Site() != "mill" {
		t.Errorf("%s is taken apart as %s, %s, %s", c, c.Slug(), c.Ring(), c.Site())
	}
	l := fleet.LinkID("mill/north/alder>birch")
	from, to := l.Ends()
	if from != "alder" || to != "birch" || l.Ring() != "mill/north" {
		t.Errorf("%s is taken apart as %s, %s, %s", l, from, to, l.Ring())
	}
	for _, rubbish := range []string{"", "/", "//", "alder", ">", "a>", "/>b", "a/b/c/d"} { // from a damaged file, say: no panic
		c, l := fleet.ControllerID(rubbish), fleet.LinkID(rubbish)
		_, _, _, _ = c.Slug(), c.Ring(), c.Site(), l.Ring()
		from, to := l.Ends()
		if strings.Contains(from+to, "/") {
			t.Errorf("the ends of %q are %q and %q", rubbish, from, to)
		}
	}
}

func TestInside(t *testing.T) {
	tests := []struct {
		s, at fleet.Subject
		want  bool
	}{
		{"mill/north/alder", "", true},
		{"mill", "mill", true},
		{"mill/north", "mill", true},
		{"mill/north/alder", "mill", true},
		{"mill/north/alder", "mill/north", true},
		{"mill/north/alder>birch", "mill/north", true},
		{"mill/north/alder>birch", "mill/north/alder>birch", true},
		{"mill", "mill/north", false},
		{"mill-2/north", "mill", false},
		{"mill/northern", "mill/north", false},
		{"mill/north/alder>birch", "mill/north/alder", false},
		{"mill/north/alder", "mill/north/alder>birch", false},
	}
	for _, tt := range tests {
		if got := tt.s.Inside(tt.at); got != tt.want {
			t.Errorf("%q inside %q: %v, want %v", tt.s, tt.at, got, tt.want)
		}
	}
}

func TestLinks(t *testing.T) {
	tests := []struct {
		slugs string
		open  bool
		want  string
	}{
		{"", false, ""},
		{"a", false, ""},
		{"a", true, ""},
		{"a b", false, "a>b b>a"},
		{"a b", true, "a>b"},
		{"a b c", false, "a>b b>c c>a"},
		{"a b c", true, "a>b b>c"},
		{"a b c d e", false, "a>b b>c c>d d>e e>a"},
	}
	for _, tt := range tests {
		r := fleet.Ring{ID: "mill/north", Open: tt.open}
		for _, s := range strings.Fields(tt.slugs) {
			r.Controllers = append(r.Controllers, fleet.Controller{ID: fleet.ControllerID("mill/north/" + s)})
		}
		var got []string
		for _, l := range r.Links() {
			from, to := l.ID.Ends()
			if l.ID.Ring() != r.ID || r.Controllers[l.From].ID.Slug() != from || r.Controllers[l.To].ID.Slug() != to {
				t.Errorf("%+v does not lead where its id says", l)
			}
			got = append(got, from+">"+to)
		}
		if strings.Join(got, " ") != tt.want {
			t.Errorf("ring %q (open %v) has links %q, want %q", tt.slugs, tt.open, got, tt.want)
		}
	}
}

func TestAllStopsWhenTold(t *testing.T) {
	f := fleet.Fleet{Sites: []fleet.Site{{Rings: []fleet.Ring{
		{Controllers: make([]fleet.Controller, 2)}, {}, {Controllers: make([]fleet.Controller, 3)},
	}}, {Rings: []fleet.Ring{{Controllers: make([]fleet.Controller, 1)}}}}}
	for most := 1; most <= 7; most++ {
		n := 0
		f.All(func(*fleet.Site, *fleet.Ring, *fleet.Controller) bool { n++; return n < most })
		if want := min(most, 6); n != want {
			t.Errorf("told to stop at %d: %d calls, want %d", most, n, want)
		}
	}
}

// Definitions: kWh, Ah, minute, hour, day from the SI brochure (9th edition, tables 4 and 8); °F and K from the
// definitions 0 °C = 273.15 K = 32 °F and 9 °F = 5 K. References 6.3: 1 kWh = 3.6e6 J, 1 Ah = 3600 C.
func TestUnitsAreExact(t *testing.T) {
	tests := []struct{ value, word, want, base string }{
		{"1", "kWh", "3600000", "J"},
		{"1", "Ah", "3600", "C"},
		{"1", "mAh", "3.6", "C"},
		{"1", "MWh", "3600000000", "J"},
		{"0.1", "kWh", "360000", "J"},
		{"1", "mV", "0.001", "V"},
		{"1", "kV", "1000", "V"},
		{"32", "°F", "0", "°C"},
		{"212", "°F", "100", "°C"},
		{"-40", "degF", "-40", "°C"},
		{"77", "°F", "25", "°C"},
		{"80", "°F", "80/3", "°C"},
		{"0", "K", "-273.15", "°C"},
		{"298.15", "K", "25", "°C"},
		{"-5", "mV/°C/cell", "-0.005", "V/°C/cell"},
		{"50", "%", "0.5", "ratio"},
		{"60", "rpm", "1", "Hz"},
		{"1", "min", "60", "s"},
		{"1", "d", "86400", "s"},
		{"1.5", "h", "5400", "s"},
		{"3", "mΩ", "0.003", "Ω"},
		{"250", "ms", "0.25", "s"},
	}
	for _, tt := range tests {
		u, ok := fleet.ParseUnit(tt.word)
		if !ok {
			t.Errorf("unknown unit %q", tt.word)
			continue
		}
		v, _ := new(big.Rat).SetString(tt.value)
		want, _ := new(big.Rat).SetString(tt.want)
		v.Add(v.Mul(v, u.Mul), u.Add)
		if v.Cmp(want) != 0 || string(u.Base) != tt.base {
			t.Errorf("%s %s = %s %s, want %s %s", tt.value, tt.word, v.RatString(), u.Base, tt.want, tt.base)
		}
	}
	for _, word := range fleet.UnitWords() {
		u, ok := fleet.ParseUnit(word)
		if !ok || u.Word != word || u.Mul.Sign() <= 0 {
			t.Errorf("unit %q: %+v, %v", word, u, ok)
		}
	}
	for _, word := range []string{"", " V", "v", "kwh", "KWh", "volt"} {
		if _, ok := fleet.ParseUnit(word); ok {
			t.Errorf("%q passes for a unit", word)
		}
	}
}

// Every quantity with a number has a base unit that a map's author can write, and names lead back to it.
func TestQuantities(t *testing.T) {
	written := map[fleet.Unit]bool{fleet.Plain: true}
	for _, w := range fleet.UnitWords() {
		u, _ := fleet.ParseUnit(w)
		written[u.Base] = true
	}
	all := fleet.AllQuantities()
	if len(all) != 29 {
		t.Errorf("there are %d quantities; the vocabulary of the format has 29", len(all))
	}
	for _, q := range all {
		if back, ok := fleet.ParseQuantity(q.String()); !ok || back != q {
			t.Errorf("%q leads back to %v, %v", q, back, ok)
		}
		if !written[q.Unit()] || q.About() == "" || q.Shape() != fleet.ShapeNumber && q.Unit() != fleet.Plain {
			t.Errorf("%q: unit %q, about %q, shape %d", q, q.Unit(), q.About(), q.Shape())
		}
		if q.Counter() && q.Shape() != fleet.ShapeNumber {
			t.Errorf("%q counts and is no number", q)
		}
	}
	for _, word := range []string{"", "?", "Stage", "battery"} {
		if q, ok := fleet.ParseQuantity(word); ok {
			t.Errorf("%q passes for quantity %v", word, q)
		}
	}
	if rubbish := fleet.Quantity(255); rubbish.String() != "?" || rubbish.Unit() != fleet.Plain {
		t.Errorf("a quantity of a newer version is %q in %q", rubbish, rubbish.Unit())
	}
}

func TestWordsLeadBack(t *testing.T) {
	for _, s := range fleet.Stages {
		if back, ok := fleet.ParseStage(s.String()); !ok || back != s {
			t.Errorf("stage %v leads back to %v, %v", s, back, ok)
		}
		if want := s == fleet.Float || s == fleet.Equalize; s.Coordinated() != want {
			t.Errorf("stage %v coordinated: %v, want %v", s, !want, want)
		}
	}
	for _, word := range []string{"unknown", "", "Bulk", "?"} {
		if s, ok := fleet.ParseStage(word); ok {
			t.Errorf("%q passes for stage %v", word, s)
		}
	}
	for _, g := range fleet.Groups {
		if back, ok := fleet.ParseGroup(g.String()); !ok || back != g {
			t.Errorf("group %v leads back to %v, %v", g, back, ok)
		}
	}
	for _, s := range fleet.AlarmStates {
		if back, ok := fleet.ParseAlarmState(s.String()); !ok || back != s {
			t.Errorf("state %v leads back to %v, %v", s, back, ok)
		}
	}
	for _, p := range fleet.Priorities {
		if back, ok := fleet.ParsePriority(p.String()); !ok || back != p {
			t.Errorf("priority %v leads back to %v, %v", p, back, ok)
		}
	}
	if fleet.Outcome(200).String() != "?" || fleet.Quality(200).String() != "?" || fleet.Stage(200).String() != "?" {
		t.Error("a value of a newer version must have some text")
	}
}

// References 2.1 (IEEE 754 examples; register forms of pymodbus's tests) and the scale of design section 4.
func TestPointNumber(t *testing.T) {
	tests := []struct {
		name string
		p    fleet.Point
		raw  uint64
		want float64
	}{
		{"tenths", fleet.Point{Mul: 1, Div: 10}, 134, 13.4},
		{"hundredths", fleet.Point{Mul: 1, Div: 100}, 5761, 57.61},
		{"signed", fleet.Point{Form: fleet.FormSigned, Mul: 1, Div: 1}, 0xFFFFFFFFFFFF960D, -27123},
		{"unsigned 64", fleet.Point{Mul: 1, Div: 1}, 1 << 63, 9223372036854775808},
		{"float 32", fleet.Point{Form: fleet.FormFloat32, Mul: 1, Div: 1}, 0xC2ED4000, -118.625},
		{"float 64", fleet.Point{Form: fleet.FormFloat64, Mul: 1, Div: 1}, 0x4055480000000000, 85.125},
		{"kWh to J", fleet.Point{Mul: 360000, Div: 1}, 12, 4320000},
		{"offset", fleet.Point{Mul: 1, Div: 1, Add: -40}, 65, 25},
	}
	for _, tt := range tests {
		if got := tt.p.Number(tt.raw); got != tt.want {
			t.Errorf("%s: Number(%#x) = %v, want %v", tt.name, tt.raw, got, tt.want)
		}
	}
	if p := (fleet.Point{Form: fleet.FormFloat32, Mul: 1, Div: 1}); !math.IsNaN(p.Number(0x7FC00000)) {
		t.Error("the SunSpec mark for 'not implemented' (references 2.2) is not a number")
	}
}

func TestPointWordsAndFlags(t *testing.T) {
	p := fleet.Point{
		Names: []fleet.Name{{Code: 3, Word: "bulk"}, {Code: 0, Word: "off"}},
		Flags: []fleet.Name{{Code: 0, Word: "fan"}, {Code: 22, Word: fleet.GroundFault}, {Code: 63, Word: "top"}, {Code: 5, Word: "fan"}},
	}
	if p.Word(3) != "bulk" || p.Word(0) != "off" || p.Word(7) != "" {
		t.Errorf("words are %q %q %q", p.Word(3), p.Word(0), p.Word(7))
	}
	// References 2.4: bit 22 has weight 0x00400000.
	if p.Flag(fleet.GroundFault) != 0x00400000 || p.Flag("top") != 1<<63 || p.Flag("fan") != 0x21 || p.Flag("none") != 0 {
		t.Errorf("flags are %#x %#x %#x %#x", p.Flag(fleet.GroundFault), p.Flag("top"), p.Flag("fan"), p.Flag("none"))
	}
}

// The store names a layout by its ID in every process that reads the file, so it must tell layouts apart by anything
// that changes what a value means, and by nothing else.
func TestLayoutID(t *testing.T) {
	base := func() []fleet.Point {
		return []fleet.Point{
			{Name: "a", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
			{Name: "b", Quantity: fleet.QuantityStage, Names: []fleet.Name{{Code: 1, Word: "off"}}, Mul: 1, Div: 1, Bits: 8},
		}
	}
	same := fleet.NewLayout(base()).ID
	if again := fleet.NewLayout(base()).ID; again != same || len(same) != 32 {
		t.Errorf("equal layouts have ids %s and %s", same, again)
	}
	changes := map[string]func(p []fleet.Point) []fleet.Point{
		"name":      func(p []fleet.Point) []fleet.Point { p[0].Name = "c"; return p },
		"quantity":  func(p []fleet.Point) []fleet.Point { p[0].Quantity = fleet.InputVoltage; return p },
		"unit":      func(p []fleet.Point) []fleet.Point { p[0].Unit = fleet.Ampere; return p },
		"mul":       func(p []fleet.Point) []fleet.Point { p[0].Mul = 2; return p },
		"div":       func(p []fleet.Point) []fleet.Point { p[0].Div = 100; return p },
		"add":       func(p []fleet.Point) []fleet.Point { p[0].Add = 1; return p },
		"form":      func(p []fleet.Point) []fleet.Point { p[0].Form = fleet.FormSigned; return p },
		"bits":      func(p []fleet.Point) []fleet.Point { p[0].Bits = 32; return p },
		"counter":   func(p []fleet.Point) []fleet.Point { p[0].Counter = true; return p },
		"scaled by": func(p []fleet.Point) []fleet.Point { p[0].ScaledBy = "b"; return p },
		"word":      func(p []fleet.Point) []fleet.Point { p[1].Names[0].Word = "idle"; return p },
		"code":      func(p []fleet.Point) []fleet.Point { p[1].Names[0].Code = 2; return p },
		"flags":     func(p []fleet.Point) []fleet.Point { p[1].Flags, p[1].Names = p[1].Names, nil; return p },
		"order":     func(p []fleet.Point) []fleet.Point { p[0], p[1] = p[1], p[0]; return p },
		"one less":  func(p []fleet.Point) []fleet.Point { return p[:1] },
	}
	seen := map[string]string{same: "nothing"}
	for what, change := range changes {
		id := fleet.NewLayout(change(base())).ID
		if other, ok := seen[id]; ok {
			t.Errorf("changing %s gives the same id as changing %s", what, other)
		}
		seen[id] = what
	}
}

func TestLayoutIndex(t *testing.T) {
	l := fleet.NewLayout([]fleet.Point{{Name: "x"}, {Name: "v", Quantity: fleet.BatteryVoltage}})
	if i, ok := l.Index(fleet.BatteryVoltage); !ok || i != 1 {
		t.Errorf("voltage is at %d, %v", i, ok)
	}
	if _, ok := l.Index(fleet.QuantityNone); ok {
		t.Error("a point without a quantity was found by it")
	}
	if _, ok := l.Index(fleet.InputVoltage); ok {
		t.Error("a quantity was found that no point has")
	}
	if i, ok := l.Named("v"); !ok || i != 1 {
		t.Errorf("v is at %d, %v", i, ok)
	}
	if _, ok := l.Named("w"); ok {
		t.Error("a name was found that no point has")
	}
}

// A value that is not good must never be taken for a reading.
func TestFrameGivesGoodValuesAlone(t *testing.T) {
	l := fleet.NewLayout([]fleet.Point{{Name: "v", Quantity: fleet.BatteryVoltage}, {Name: "s", Quantity: fleet.QuantityStage}})
	for q := fleet.Missing; q <= fleet.Unreadable; q++ {
		f := fleet.Frame{Layout: l, Values: []fleet.Value{{Number: 48, Quality: q}, {Number: float64(fleet.Float), Quality: q}}}
		v, ok := f.Number(fleet.BatteryVoltage)
		s, okStage := f.Stage()
		if want := q == fleet.Good; ok != want || okStage != want || want && (v != 48 || s != fleet.Float) {
			t.Errorf("%v: %v %v, %v %v", q, v, ok, s, okStage)
		}
	}
	for name, f := range map[string]fleet.Frame{"no layout": {}, "no values": {Layout: l}} {
		if _, ok := f.Value(fleet.BatteryVoltage); ok {
			t.Errorf("%s: a value was found", name)
		}
	}
	f := fleet.Frame{Layout: l, Values: []fleet.Value{{Number: 1}}}
	c := f.Clone()
	if c.Values[0].Number = 2; f.Values[0].Number != 1 || c.Layout != f.Layout {
		t.Error("a clone shares its values, or not its layout")
	}
}

// An id from any name is one that the file format itself takes, and giving it explicitly changes nothing.
func TestSlugsAreIDs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		id, ok := fleet.Slug(name)
		if !ok {
			return
		}
		if again, ok := fleet.Slug(id); !ok || again != id {
			t.Fatalf("Slug(%q) = %q, and of that %q, %v", name, id, again, ok)
		}
	})
	for name, want := range map[string]string{
		"Fernhollow Mill": "fernhollow-mill", "No. 7": "no-7", "  A -- b  ": "a-b", "Miller's": "millers", "ÉCOLE": "ecole",
		"İzmir": "izmir", "Straße": "strasse", "A_b/c": "a-b-c",
	} {
		if got, ok := fleet.Slug(name); got != want || !ok {
			t.Errorf("Slug(%q) = %q, %v; want %q", name, got, ok, want)
		}
	}
	for _, name := range []string{"", "!", "Мельница", "Mill Ж", "٣", strings.Repeat("a", 64), "½"} {
		if got, ok := fleet.Slug(name); ok {
			t.Errorf("Slug(%q) = %q; nothing of it may be lost", name, got)
		}
	}
}
