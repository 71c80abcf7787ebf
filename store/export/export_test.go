package export_test

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/export"
	"ringwarden/store/storetest"
)

var noon = time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)

// mill is a map of our own, with each kind of value that a row can hold.
var mill = fleet.NewLayout([]fleet.Point{
	{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
	{Name: "watts", Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16},
	{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 8, Names: []fleet.Name{{Code: 3, Word: "bulk"}, {Code: 5, Word: "float"}}},
	{Name: "inner", Form: fleet.FormSigned, Unit: fleet.Celsius, Mul: 1, Div: 1, Bits: 16},
	{Name: "serial, text", Form: fleet.FormText},
})

func frame(id fleet.ControllerID, at time.Time, decivolts, watts, stage uint64, inner int64) fleet.Frame {
	values := []fleet.Value{
		{Raw: decivolts, Number: mill.Points[0].Number(decivolts), Quality: fleet.Good},
		{Raw: watts, Number: float64(watts), Quality: fleet.Good},
		{Raw: stage, Quality: fleet.Good},
		{Raw: uint64(inner), Number: float64(inner), Quality: fleet.Good},
		{Text: "no. \"7\"\nµ", Quality: fleet.Good},
	}
	s, _ := fleet.ParseStage(mill.Points[2].Word(stage))
	values[2].Number = float64(s)
	return fleet.Frame{Controller: id, At: at, Outcome: fleet.Answered, Layout: mill, Values: values}
}

func put(t testing.TB, s *store.Store, frames ...fleet.Frame) {
	t.Helper()
	if err := s.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
}

func write(t testing.TB, s *store.Store, q export.Query) ([]byte, int64) {
	t.Helper()
	var b bytes.Buffer
	n, err := export.Write(t.Context(), &b, s, q, nil)
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), n
}

// What a spreadsheet sees: every digit, the words of codes, no number where there is no good one, quotes where needed.
func TestCSV(t *testing.T) {
	s := storetest.Open(t)
	absent := frame("mill/north/birch", noon.Add(10*time.Second), 0, 7, 5, -3)
	absent.Values[0] = fleet.Value{Raw: 0x8000, Quality: fleet.Absent}
	put(t, s, frame("mill/north/alder", noon, 501, 640, 3, 21), absent,
		fleet.Frame{Controller: "mill/north/alder", At: noon.Add(10 * time.Second), Outcome: fleet.Silent})
	got, n := write(t, s, export.Query{Format: export.CSV})
	want := `time,controller,point,quantity,value,unit,text,raw,quality
2026-06-21T12:00:00Z,mill/north/alder,volts,battery.voltage,50.1,V,,501,good
2026-06-21T12:00:00Z,mill/north/alder,watts,output.power,640,W,,640,good
2026-06-21T12:00:00Z,mill/north/alder,stage,stage,3,,bulk,3,good
2026-06-21T12:00:00Z,mill/north/alder,inner,,21,°C,,21,good
2026-06-21T12:00:00Z,mill/north/alder,"serial, text",,,,"no. ""7""
µ",0,good
2026-06-21T12:00:10Z,mill/north/birch,volts,battery.voltage,,V,,32768,absent
2026-06-21T12:00:10Z,mill/north/birch,watts,output.power,7,W,,7,good
2026-06-21T12:00:10Z,mill/north/birch,stage,stage,5,,float,5,good
2026-06-21T12:00:10Z,mill/north/birch,inner,,-3,°C,,-3,good
2026-06-21T12:00:10Z,mill/north/birch,"serial, text",,,,"no. ""7""
µ",0,good
`
	if d := cmp.Diff(want, string(got)); d != "" || n != 10 {
		t.Errorf("%d rows (-want +got):\n%s", n, d)
	}
}

// Controllers, points and quantities, and the period each narrow the table.
func TestNarrowing(t *testing.T) {
	s := storetest.Open(t)
	for i := range 10 {
		at := noon.Add(time.Duration(i) * time.Second)
		put(t, s, frame("mill/north/alder", at, 500, 1, 3, 1), frame("mill/north/birch", at, 500, 1, 3, 1))
	}
	for name, tt := range map[string]struct {
		q    export.Query
		want int64
	}{
		"all":          {export.Query{}, 100},
		"a controller": {export.Query{Controllers: []fleet.ControllerID{"mill/north/birch"}}, 50},
		"a point":      {export.Query{Points: []string{"inner"}}, 20},
		"a quantity":   {export.Query{Points: []string{"battery.voltage", "inner"}}, 40},
		"a period":     {export.Query{From: noon.Add(2 * time.Second), To: noon.Add(4 * time.Second)}, 20},
		"nothing":      {export.Query{Points: []string{"none"}}, 0},
	} {
		for _, f := range export.Formats {
			tt.q.Format = f
			if _, n := write(t, s, tt.q); n != tt.want {
				t.Errorf("%s, %s: %d rows, want %d", name, f, n, tt.want)
			}
		}
	}
}

// A map called a register a power, until somebody saw that it is a temperature: each day's row says what it is of.
func TestRollupsOfAPointThatChanged(t *testing.T) {
	s := storetest.Open(t)
	for day, p := range []fleet.Point{
		{Name: "x", Quantity: fleet.OutputPower, Unit: fleet.Watt}, {Name: "x", Quantity: fleet.InternalTemperature, Unit: fleet.Celsius},
	} {
		p.Mul, p.Div, p.Bits = 1, 1, 16
		l := fleet.NewLayout([]fleet.Point{p})
		for hour := range 12 {
			put(t, s, fleet.Frame{
				Controller: "mill/north/alder", At: noon.AddDate(0, 0, day).Add(time.Duration(hour) * time.Hour), Outcome: fleet.Answered,
				Layout: l, Values: []fleet.Value{{Raw: 30, Number: 30, Quality: fleet.Good}},
			})
		}
	}
	if err := s.Fold(t.Context(), noon.Add(72*time.Hour)); err != nil {
		t.Fatal(err)
	}
	resolution := store.Day
	out, n := write(t, s, export.Query{Format: export.CSV, Controllers: []fleet.ControllerID{"mill/north/alder"}, Rollups: &resolution})
	lines := strings.Split(string(out), "\n")
	if n != 2 || !strings.Contains(lines[1], ",output.power,W,12,") || !strings.Contains(lines[2], ",internal.temperature,\u00b0C,12,") {
		t.Errorf("%d rows:\n%s", n, out)
	}
}

// A full disk, a reader that went away, and Ctrl-C end an export with an error; none is taken for whole.
func TestExportThatFails(t *testing.T) {
	s := storetest.Open(t)
	var frames []fleet.Frame
	for i := range 5000 {
		frames = append(frames, frame("mill/north/alder", noon.Add(time.Duration(i)*time.Second), uint64(i), uint64(i), 3, int64(i)))
	}
	put(t, s, frames...)
	for _, f := range export.Formats {
		full := errors.New("no space left on device")
		if _, err := export.Write(t.Context(), brokenWriter{full}, s, export.Query{Format: f}, nil); !errors.Is(err, full) {
			t.Errorf("%s: Write() to a full disk = %v", f, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		seen := 0
		_, err := export.Write(ctx, &bytes.Buffer{}, s, export.Query{Format: f}, func(_, _ int64) {
			if seen++; seen == 10 {
				cancel()
			}
		})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: Write() that is stopped = %v", f, err)
		}
	}
}

// The progress never goes back, and ends where the readings do, whatever is asked for.
func TestExportTellsItsProgress(t *testing.T) {
	s := storetest.Open(t)
	for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
		for i := range 49 {
			put(t, s, frame(id, noon.Add(time.Duration(i)*time.Hour), 480, 100, 3, int64(i)))
		}
	}
	hour := store.Hour
	for name, c := range map[string]struct {
		q     export.Query
		total int64
	}{
		"all":     {export.Query{Format: export.CSV}, 48 * 3600},
		"a day":   {export.Query{Format: export.CSV, From: noon.Add(time.Hour), To: noon.Add(25 * time.Hour)}, 24 * 3600},
		"rollups": {export.Query{Format: export.CSV, Controllers: []fleet.ControllerID{"mill/north/alder", "mill/north/birch"}, Rollups: &hour}, 96 * 3600},
	} {
		last, all := int64(-1), int64(0)
		_, err := export.Write(t.Context(), &bytes.Buffer{}, s, c.q, func(done, total int64) {
			if done < last {
				t.Errorf("%s: it went back from %d to %d s", name, last, done)
			}
			last, all = done, total
		})
		if err != nil || all != c.total || last < all-3600 || last > all {
			t.Errorf("%s: it ended at %d of %d s, %v; want %d", name, last, all, err, c.total)
		}
	}
}

type brokenWriter struct{ err error }

func (w brokenWriter) Write([]byte) (int, error) { return 0, w.err }

// day stores a June day of two controllers: a sine of power, sampled every 10 s with a gap at noon, and its stage.
func day(t testing.TB) *store.Store {
	t.Helper()
	s := storetest.Open(t)
	midnight := noon.Add(-12 * time.Hour)
	var frames []fleet.Frame
	for i := range 8640 {
		if i >= 4320 && i < 4500 {
			continue // 30 min without answers
		}
		at := midnight.Add(time.Duration(i) * 10 * time.Second)
		sun := max(0, math.Sin((float64(i)/8640-0.25)*2*math.Pi))
		for k, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
			f := frame(id, at, 480+uint64(60*sun), uint64(float64(1000*(k+1))*sun), 3, int64(20*sun))
			f.Values = f.Values[:4]
			f.Layout = shortMill
			frames = append(frames, f)
		}
	}
	put(t, s, frames...)
	return s
}

var shortMill = fleet.NewLayout(mill.Points[:4])

// energy returns the joules of a day as the store's own rollups have them.
func energy(t testing.TB, s *store.Store, id fleet.ControllerID) float64 {
	t.Helper()
	sum := 0.0
	for r, err := range s.Rollups(t.Context(), id, "watts", store.Day, noon.Add(-12*time.Hour), noon.Add(12*time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		sum += r.Total
	}
	if sum == 0 {
		t.Fatal("the store's rollups have no energy")
	}
	return sum
}

// readers are programs that know nothing of us: Python's csv module, and a Parquet reader for JavaScript that shares no
// code with the writer's library. Each adds up a day's energy, from raw powers by trapezoids over gaps of at most 30 s
// (design of this program, after IEC 61724-1: what is missing is not bridged), or from rollups by summing totals.
func TestOthersAddUpTheSameEnergy(t *testing.T) {
	s := day(t)
	five := store.FiveMinutes
	ids := []fleet.ControllerID{"mill/north/alder", "mill/north/birch"}
	for _, tt := range []struct {
		name   string
		reader func(t *testing.T, path string) []string
		q      export.Query
	}{
		{"csv of raw values", pythonReader, export.Query{Format: export.CSV}},
		{"csv of rollups", pythonReader, export.Query{Format: export.CSV, Rollups: &five, Controllers: ids}},
		{"parquet of raw values", nodeReader, export.Query{Format: export.Parquet}},
		{"parquet of rollups", nodeReader, export.Query{Format: export.Parquet, Rollups: &five, Controllers: ids}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.q.Points = []string{"output.power"}
			data, rows := write(t, s, tt.q)
			path := filepath.Join(t.TempDir(), "day."+string(tt.q.Format))
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
			command := tt.reader(t, path)
			out, err := exec.Command(command[0], command[1:]...).CombinedOutput()
			if err != nil {
				t.Fatalf("%v: %v\n%s", command, err, out)
			}
			fields := strings.Fields(string(out))
			if len(fields) != 3 || fields[0] != strconv.FormatInt(rows, 10) {
				t.Fatalf("%v saw %q, want %d rows and two energies", command, out, rows)
			}
			for i, id := range ids {
				got, err := strconv.ParseFloat(fields[1+i], 64)
				want := energy(t, s, id)
				// Rollups keep thousandths of a joule; 288 of them may differ by 0.144 J.
				if err != nil || math.Abs(got-want) > 0.15 {
					t.Errorf("%s: %s adds up to %v J, %v; the store has %v J", id, tt.name, got, err, want)
				}
				t.Logf("%s: %v J in %d rows, %d bytes; the store has %v J", id, got, rows, len(data), want)
			}
		})
	}
}

const addUp = `
import csv, sys
from datetime import datetime
rows, energy, last = 0, {}, {}
for r in csv.DictReader(open(sys.argv[1], encoding="utf-8", newline="")):
    rows += 1
    c = r["controller"]
    if "total" in r:
        energy[c] = energy.get(c, 0.0) + float(r["total"])
        continue
    at = datetime.fromisoformat(r["time"].replace("Z", "+00:00")).timestamp()
    watts = float(r["value"])
    if c in last and at - last[c][0] <= 30:
        energy[c] = energy.get(c, 0.0) + (watts + last[c][1]) / 2 * (at - last[c][0])
    last[c] = (at, watts)
print(rows, *(energy[c] for c in sorted(energy)))
`

func pythonReader(t *testing.T, path string) []string {
	t.Helper()
	python := "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		missing(t, "Debian's python3, which adds up a CSV export", err)
	}
	return []string{python, "-c", addUp, path}
}

const addUpParquet = `
import { readFileSync } from 'node:fs';
const { parquetReadObjects } = await import(process.argv[1]);
const b = readFileSync(process.argv[2]);
const file = b.buffer.slice(b.byteOffset, b.byteOffset + b.byteLength);
const energy = new Map(), last = new Map();
const rows = await parquetReadObjects({ file });
for (const r of rows) {
  const c = r.controller;
  if ('total' in r) { energy.set(c, (energy.get(c) ?? 0) + r.total); continue; }
  const at = Number(r.time instanceof Date ? r.time.getTime() : r.time) / 1e3, l = last.get(c);
  if (l && at - l[0] <= 30) energy.set(c, (energy.get(c) ?? 0) + (r.value + l[1]) / 2 * (at - l[0]));
  last.set(c, [at, r.value]);
}
console.log(rows.length, ...[...energy.keys()].sort().map(c => energy.get(c)));
`

func nodeReader(t *testing.T, path string) []string {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		missing(t, "node, which adds up a Parquet export", err)
	}
	reader, err := filepath.Abs("../../testdata/npm/node_modules/hyparquet/src/index.js")
	if err == nil {
		_, err = os.Stat(reader)
	}
	if err != nil {
		missing(t, "hyparquet, which adds up a Parquet export (npm install --prefix testdata/npm)", err)
	}
	return []string{node, "--input-type=module", "-e", addUpParquet, reader, path}
}

func missing(t *testing.T, what string, err error) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is missing: %v", what, err)
	}
	t.Skipf("left out: %s is missing: %v", what, err)
}

// Several row groups, missing numbers and every column come back through the library, too, in order.
func TestParquetComesBack(t *testing.T) {
	s := day(t)
	data, n := write(t, s, export.Query{Format: export.Parquet})
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	if groups := len(f.RowGroups()); f.NumRows() != n || n <= 1<<16 || groups < 2 {
		t.Errorf("%d rows in %d row groups, want %d in several", f.NumRows(), groups, n)
	}
	type row struct {
		Time       time.Time `parquet:"time,timestamp(nanosecond)"`
		Controller string    `parquet:"controller"`
		Value      *float64  `parquet:"value,optional"`
		Raw        int64     `parquet:"raw"`
	}
	rows, err := parquet.Read[row](bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	i := 0
	for fr, err := range s.Frames(t.Context(), store.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		for k := range fr.Values {
			r, v := rows[i], fr.Values[k]
			if !r.Time.Equal(fr.At) || r.Controller != string(fr.Controller) || r.Raw != int64(v.Raw) || r.Value == nil || *r.Value != v.Number {
				t.Fatalf("row %d is %+v, want %v of %v", i, r, v, fr.At)
			}
			i++
		}
	}
	t.Logf("%d rows in %d bytes: %.2f a row", n, len(data), float64(len(data))/float64(n))
}
