package store

import (
	"bytes"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/fleet"
)

var update = flag.Bool("update", false, "write the example of FORMAT.md and the golden file anew")

// exampleFrame is the one that FORMAT.md shows.
func exampleFrame() fleet.Frame {
	layout := fleet.NewLayout([]fleet.Point{
		{Name: "bank_voltage", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16},
		{Name: "power", Quantity: fleet.OutputPower, Unit: fleet.Watt, Mul: 1, Div: 1, Bits: 16},
	})
	return fleet.Frame{
		Controller: "mill/north/alder", Group: fleet.Fast, At: time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC),
		Outcome: fleet.Answered, Late: 1500 * time.Microsecond, Took: 20 * time.Millisecond, Layout: layout,
		Values: []fleet.Value{{Number: 50.1, Raw: 501, Quality: fleet.Good}, {Raw: 65535, Quality: fleet.Absent}},
	}
}

var exampleValue = regexp.MustCompile("(?s)(?:key   )([0-9a-f ]+)\nvalue (.*?)\n```")

// The bytes in FORMAT.md are those in the file.
func TestFormatExample(t *testing.T) {
	path := t.TempDir() + "/ringwarden.db"
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.Append(t.Context(), []fleet.Frame{exampleFrame()}); err != nil {
		t.Fatal(err)
	}
	var key, value []byte
	err = s.db.View(func(tx *bbolt.Tx) error {
		k, v := tx.Bucket(bucketJournal).Cursor().First()
		key, value = bytes.Clone(k), bytes.Clone(v)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	page := readFile(t, "FORMAT.md")
	found := exampleValue.FindStringSubmatch(page)
	if found == nil {
		t.Fatal("FORMAT.md has no example")
	}
	if *update {
		page = strings.Replace(page, found[2], spaced(value), 1)
		if err := os.WriteFile("FORMAT.md", []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
		found[2] = spaced(value)
	}
	strip := strings.NewReplacer(" ", "", "\n", "")
	if got, want := hex.EncodeToString(key), strip.Replace(found[1]); got != want {
		t.Errorf("the key is %s, FORMAT.md says %s", got, want)
	}
	if got, want := hex.EncodeToString(value), strip.Replace(found[2]); got != want {
		t.Errorf("the value is %s, FORMAT.md says %s", got, want)
	}
}

// spaced writes bytes for people, 32 to a line.
func spaced(b []byte) string {
	var s strings.Builder
	for i, c := range b {
		switch {
		case i > 0 && i%32 == 0:
			s.WriteString("\n      ")
		case i > 0 && i%4 == 0:
			s.WriteByte(' ')
		}
		fmt.Fprintf(&s, "%02x", c)
	}
	return s.String()
}

// Each bucket stands in FORMAT.md, and each that stands there is made.
func TestFormatBuckets(t *testing.T) {
	_, table, _ := strings.Cut(readFile(t, "FORMAT.md"), "## Buckets")
	table, _, _ = strings.Cut(table, "###")
	var want []string
	for _, row := range regexp.MustCompile("(?m)^\\| `([a-z]+)` ").FindAllStringSubmatch(table, -1) {
		want = append(want, row[1])
	}
	var got []string
	for _, name := range slices.Concat(firstBuckets, [][]byte{bucketNotes}, laterBuckets, [][]byte{bucketMoving, bucketBoot, bucketMeanings}) {
		got = append(got, string(name))
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("the buckets are %v, FORMAT.md says %v", got, want)
	}
}

// The numbers that go into the file are those of FORMAT.md: to change one would change the meaning of old files.
func TestFormatNumbers(t *testing.T) {
	_, table, _ := strings.Cut(readFile(t, "FORMAT.md"), "## Numbers")
	for what, word := range map[string]func(i int) string{
		"group":    func(i int) string { return fleet.Group(i).String() },
		"outcome":  func(i int) string { return fleet.Outcome(i).String() },
		"quality":  func(i int) string { return fleet.Quality(i).String() },
		"stage":    func(i int) string { return fleet.Stage(i).String() },
		"state":    func(i int) string { return fleet.AlarmState(i).String() },
		"priority": func(i int) string { return fleet.Priority(i).String() },
		"form": func(i int) string {
			if i > int(fleet.FormText) {
				return "?"
			}
			return map[fleet.Form]string{
				fleet.FormUnsigned: "unsigned", fleet.FormSigned: "signed", fleet.FormFloat32: "float32",
				fleet.FormFloat64: "float64", fleet.FormText: "text",
			}[fleet.Form(i)]
		},
	} {
		row := regexp.MustCompile(`(?m)^\| ` + what + ` \| (.*) \|$`).FindStringSubmatch(table)
		if row == nil {
			t.Errorf("FORMAT.md has no numbers for %s", what)
			continue
		}
		var got []string
		for i := 0; word(i) != "?"; i++ {
			got = append(got, fmt.Sprint(i, " ", word(i)))
		}
		if s := strings.Join(got, ", "); s != row[1] {
			t.Errorf("%s: the program says %s, FORMAT.md says %s", what, s, row[1])
		}
	}
}

func readFile(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
