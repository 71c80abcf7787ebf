package draw

import (
	"html/template"
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"ringwarden/fleet"
)

func dublin() *time.Location {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return zone
}

// hostile are names that a fleet file may hold.
var hostile = []string{
	`<script>alert("1")</script>`, `&amp; ' " ]]> <!--`, "\u202eright-to-left\u202c tail", "\u05d0\u05d1\u05d2 \u0645\u062d\u0637\u0629",
	"🛖🔌👩‍👩‍👧‍👦 hut", "zalgo z\u0335\u0321\u0322\u031b\u0316\u0317\u0318\u0319", "\ufdfd\ufdfd\ufdfd", "nul\x00 bell\x07 \xff\xfe broken",
}

func long(n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = "Wide Name "[i%10]
	}
	return string(b)
}

// daylight is a source's power through a day, with seeded clouds.
func daylight(day time.Time, peak float64, seed uint64, every time.Duration) []Point {
	random := rand.New(rand.NewPCG(seed, 1))
	cloud := 1.0
	var out []Point
	for t := day; t.Before(day.Add(24 * time.Hour)); t = t.Add(every) {
		hour := t.Sub(day).Hours()
		cloud = min(1, max(0.25, cloud+0.08*random.NormFloat64()))
		v := max(0, peak*math.Sin(math.Pi*(hour-7)/10)*cloud)
		if hour < 7 || hour > 17 {
			v = 0
		}
		out = append(out, Point{At: t, Value: v})
	}
	return out
}

func without(points []Point, from, to time.Time) []Point {
	var out []Point
	for _, p := range points {
		if p.At.Before(from) || !p.At.Before(to) {
			out = append(out, p)
		}
	}
	return out
}

func bankVoltage(day time.Time, every time.Duration) []Point {
	random := rand.New(rand.NewPCG(7, 2))
	var out []Point
	for t := day; t.Before(day.Add(24 * time.Hour)); t = t.Add(every) {
		hour := t.Sub(day).Hours()
		v := 25.1 - 0.06*hour
		switch {
		case hour > 14 && hour < 17:
			v = 27.2
		case hour > 11 && hour <= 14:
			v = 28.8
		case hour > 7.5 && hour <= 11:
			v = 24.7 + (hour-7.5)/3.5*4.1
		case hour >= 17:
			v = 26.4 - 0.15*(hour-17)
		}
		out = append(out, Point{At: t, Value: v + 0.03*random.NormFloat64()})
	}
	return out
}

func power(w int) Chart {
	day := time.Date(2026, 3, 20, 0, 0, 0, 0, dublin())
	wind := make([]Point, 0, 1440)
	random := rand.New(rand.NewPCG(3, 3))
	v := 120.0
	for t := day; t.Before(day.Add(24 * time.Hour)); t = t.Add(time.Minute) {
		v = max(0, v+6*random.NormFloat64()+(150-v)*0.01)
		wind = append(wind, Point{At: t, Value: v})
	}
	hydro := []Point{}
	for t := day; t.Before(day.Add(24 * time.Hour)); t = t.Add(5 * time.Minute) {
		hydro = append(hydro, Point{At: t, Value: 210})
	}
	cut := func(p []Point) []Point { return without(p, day.Add(3*time.Hour), day.Add(4*time.Hour+30*time.Minute)) }
	return Chart{
		ID: "power", Title: "Power by source", From: day, To: day.AddDate(0, 0, 1), Now: day.Add(20 * time.Hour), Zone: dublin(),
		Width: w, Unit: "W", Stack: true,
		Lines: []Series{
			{Name: "hydro", Unit: "W", Points: cut(hydro)},
			{Name: "wind", Unit: "W", Points: cut(wind)},
			{Name: "pv", Unit: "W", Points: cut(daylight(day, 900, 1, time.Minute))},
		},
	}
}

func voltage(w int) Chart {
	day := time.Date(2026, 3, 20, 0, 0, 0, 0, dublin())
	points := without(bankVoltage(day, 10*time.Second), day.Add(3*time.Hour), day.Add(4*time.Hour+30*time.Minute))
	points = without(points, day.Add(20*time.Hour), day.Add(25*time.Hour))
	return Chart{
		ID: "bank", Title: "Bank voltage", From: day, To: day.AddDate(0, 0, 1), Now: day.Add(20 * time.Hour), Zone: dublin(), Width: w, Height: 200, Unit: "V",
		Lines:  []Series{{Name: "bank", Unit: "V", Every: 10 * time.Second, Points: points}},
		Levels: []Level{{"absorption 28.8 V", 28.8}, {"float 27.2 V", 27.2}},
		Events: []Event{{day.Add(13*time.Hour + 42*time.Minute), "bank full", Calm}, {day.Add(9 * time.Hour), "cedar is out of stage", Warn}},
	}
}

// year is a year of daily rollups of two series, with a month without data.
func year(w int) Chart {
	from := time.Date(2025, 11, 1, 0, 0, 0, 0, dublin())
	random := rand.New(rand.NewPCG(9, 9))
	var a, b []Point
	for t := from; t.Before(from.AddDate(1, 0, 0)); t = t.AddDate(0, 0, 1) {
		mid := 26 + 0.8*math.Sin(float64(t.YearDay())/58) + 0.2*random.NormFloat64()
		if t.Month() != time.February {
			a = append(a, Point{At: t, Value: mid, Low: mid - 1 - random.Float64(), High: mid + 1.5 + random.Float64()})
		}
		b = append(b, Point{At: t, Value: mid - 0.7, Low: mid - 1, High: mid})
	}
	return Chart{
		ID: "year", Title: "Terminal voltage, a year", From: from, To: from.AddDate(1, 0, 0), Zone: dublin(), Width: w, Unit: "V",
		Lines: []Series{{Name: "alder", Unit: "V", Band: true, Every: 24 * time.Hour, Points: a}, {Name: "birch", Unit: "V", Every: 24 * time.Hour, Points: b}},
	}
}

func many(w int) Chart {
	ch := voltage(w)
	ch.ID, ch.Title, ch.Levels, ch.Events = "many", "Eight lines", nil, nil
	var lines []Series
	for i := range 8 {
		s := Series{Name: "unit " + strconv.Itoa(i+1), Unit: "V", Every: time.Minute}
		for _, p := range bankVoltage(ch.From, time.Minute) {
			p.Value -= 0.5 * float64(i)
			s.Points = append(s.Points, p)
		}
		lines = append(lines, s)
	}
	lines[5].State, lines[5].Name = Alarm, hostile[2]
	lines[6].Name = long(300)
	ch.Lines, ch.Height = lines, 300
	return ch
}

func stages(w int) Strip {
	day := time.Date(2026, 3, 20, 0, 0, 0, 0, dublin())
	at := func(h float64) time.Time { return day.Add(time.Duration(h * float64(time.Hour))) }
	row := func(shift float64) []StageSpan {
		return []StageSpan{
			{day, at(3), fleet.Idle},
			{at(4.5), at(7.4 + shift), fleet.Off},
			{at(7.4 + shift), at(11), fleet.Bulk},
			{at(11), at(14 + shift), fleet.Absorption},
			{at(14 + shift), at(16.5), fleet.Float},
			{at(16.5), at(20), fleet.Idle},
		}
	}
	s := Strip{
		ID: "stages", Title: "Stages", Desc: "In which stage each controller was.", From: day, To: day.AddDate(0, 0, 1), Now: at(20), Zone: dublin(), Width: w, Key: true,
		Rows: []StripRow{
			{ID: "mill/north/alder", Name: "alder", Href: "/c/alder", Spans: row(0)},
			{ID: "mill/north/birch", Name: "birch", Href: "/c/birch", Spans: row(0.1)},
			{ID: "mill/north/cedar", Name: "cedar", Note: "did not follow into float", State: Warn, Spans: row(1.6)},
			{ID: "mill/north/dogwood", Name: long(300), Spans: row(0.05)},
			{ID: "mill/north/elder", Name: hostile[4], Spans: row(0.05)},
		},
	}
	s.Rows[3].Spans[2].Stage, s.Rows[3].Spans[3].Stage = fleet.Equalize, fleet.Fault
	return s
}

func heat(w, days int) Heat {
	random := rand.New(rand.NewPCG(5, uint64(days)))
	h := Heat{ID: "heat", Title: "Bad frames by day and hour", Width: w, Unit: "%", Limit: 2}
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, dublin())
	for i := range days {
		d := HeatDay{Day: start.AddDate(0, 0, i)}
		for k := range d.Hours {
			d.Hours[k] = max(0, 0.3*random.NormFloat64())
			if i > days*2/3 && k > 10 && k < 16 {
				d.Hours[k] += 2.2 * random.Float64()
			}
			if i == days/4 || d.Day.Month() == time.March && d.Day.Day() == 29 && k == 1 {
				d.Hours[k] = math.NaN()
			}
		}
		h.Days = append(h.Days, d)
	}
	return h
}

var trees = []string{"alder", "birch", "cedar", "dogwood", "elder", "fir", "gorse", "hazel"}

func ring(w, n int, trouble bool) Ring {
	r := Ring{ID: "ring" + strconv.Itoa(n), Title: "The north ring", Width: w, Bank: []string{"27.4 V", "float · 21 °C", "612 W in"}}
	for i := range n {
		name := trees[i%8]
		if i >= 8 {
			name += " " + strconv.Itoa(i/8+1)
		}
		r.Controllers = append(r.Controllers, RingUnit{ID: "mill/north/" + name, Name: name, Href: "/controllers/" + strconv.Itoa(i), Stage: fleet.Float, Number: strconv.Itoa(90+i*7) + " W"})
		r.Links = append(r.Links, RingLink{ID: "link" + strconv.Itoa(i), Href: "/cables/" + strconv.Itoa(i), Health: LinkGood, Number: "0.1 %"})
	}
	if !trouble || n < 2 {
		return r
	}
	r.Links[n/3].Health, r.Links[n/3].Number = LinkNoisy, "6.4 % bad"
	r.Links[n-1].Health, r.Links[n-1].Number = LinkDown, "since 09:12"
	r.Links[n/2].Health, r.Links[n/2].Number = LinkUnknown, ""
	u := &r.Controllers[n-1]
	u.State, u.Stage, u.Note = Warn, fleet.Absorption, "out of stage"
	r.Controllers[n/2].State, r.Controllers[n/2].Note, r.Controllers[n/2].Stage = Silent, "not heard", fleet.StageUnknown
	r.Controllers[n/2].Number = ""
	r.Call = &RingCall{Stage: fleet.Float, Starter: 0}
	for i := 1; i < n/2; i++ {
		r.Call.Reached = append(r.Call.Reached, i)
	}
	return r
}

func hostileRing(w int) Ring {
	r := ring(w, 8, true)
	r.ID = "ringx"
	r.Open = true
	for i := range r.Controllers {
		r.Controllers[i].Name = hostile[i]
		r.Controllers[i].ID = hostile[i]
	}
	r.Controllers[1].Name, r.Controllers[1].Note, r.Controllers[1].State = long(300), long(300), Alarm
	r.Links[3].Word, r.Links[3].Number = hostile[4], long(300)
	r.Bank[0] = long(40)
	return r
}

// mill is a ring with names as people give them.
func mill(w int) Ring {
	r := ring(w, 5, true)
	r.ID, r.Call = "ringmill", nil
	for i, name := range []string{"Barn roof", "South field", "Leat turbine", "Ridge turbine", "Weaver's loft"} {
		r.Controllers[i].Name = name
	}
	r.Controllers[4].Note = "temperature defaulted"
	r.Bank = []string{"49.3 V", "1494 W", "42.7 kWh today"}
	return r
}

// pictures are what the golden files hold, by name.
func pictures(w int) map[string]template.HTML {
	small := min(w, 640)
	m := map[string]template.HTML{
		"power": power(w).SVG(), "voltage": voltage(w).SVG(), "year": year(w).SVG(), "many": many(w).SVG(), "stages": stages(w).SVG(),
		"heat-month": heat(small, 31).SVG(), "heat-year": heat(small, 365).SVG(),
		"bars": bars(small).SVG(), "columns": columns(w).SVG(), "ring-hostile": hostileRing(small).SVG(), "ring-mill": mill(small).SVG(), "chart-empty": Chart{Width: w, Title: "Nothing"}.SVG(),
	}
	for _, n := range []int{0, 1, 2, 3, 5, 8, 13, 40, 200} {
		m["ring-"+strconv.Itoa(n)] = ring(small, n, false).SVG()
		m["ring-"+strconv.Itoa(n)+"-trouble"] = ring(small, n, true).SVG()
	}
	return m
}

func bars(w int) Bars {
	return Bars{ID: "bars", Title: "Final yield", Desc: "Energy per rated kilowatt.", Width: w, Items: []Bar{
		{Name: "alder", Value: 92, Text: "92 kWh/kW"},
		{Name: "birch", Value: 88, Text: "88 kWh/kW"},
		{Name: "cedar", Value: 41, Text: "41 kWh/kW", State: Warn},
		{Name: hostile[0], Value: math.NaN(), Text: "no data"},
	}}
}

func columns(w int) Columns {
	random := rand.New(rand.NewPCG(4, 4))
	co := Columns{ID: "columns", Title: "Energy by day", Desc: "Energy of each day of March by source.", Width: w, Unit: "kWh", Names: []string{"hydro", "wind", "pv"}}
	for i := range 31 {
		parts := []float64{5, 3 * random.Float64(), 2 + 6*random.Float64()}
		if i == 11 {
			parts = []float64{math.NaN(), math.NaN(), math.NaN()}
		}
		co.Items = append(co.Items, Column{Label: strconv.Itoa(i + 1), Parts: parts})
	}
	return co
}
