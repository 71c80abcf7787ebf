package metrics

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

const (
	tableStart = "<!-- The table is made by: go test ./metrics -run Page -update -->\n"
	tableEnd   = "<!-- The table ends here. -->\n"
)

// METRICS.md names every family with the type, labels and help that the code gives it.
func TestPage(t *testing.T) {
	data, err := os.ReadFile("METRICS.md")
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok1 := strings.Cut(string(data), tableStart)
	_, after, ok2 := strings.Cut(rest, tableEnd)
	if !ok1 || !ok2 {
		t.Fatal("METRICS.md lacks the marks round its table")
	}
	want := before + tableStart + "\n" + table() + "\n" + tableEnd + after
	if *update {
		if err := os.WriteFile("METRICS.md", []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(data) != want {
		t.Error("METRICS.md differs from the code: go test ./metrics -run Page -update")
	}
}

// table lists the families; those of points without a quantity, of which there is one for each unit, share rows.
func table() string {
	var b strings.Builder
	b.WriteString("| name | type | labels | help |\n| --- | --- | --- | --- |\n")
	row := func(name, kind string, labels []string, help string) {
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", name, kind, strings.Join(labels, " "), help)
	}
	where := []string{"site", "ring", "controller"}
	for _, f := range families {
		kind := "gauge"
		if f.counter {
			kind = "counter"
		}
		if !strings.Contains(f.help, "of map points without a quantity.") || strings.HasPrefix(f.name, namespace+"point_state") {
			row(f.name, kind, f.labels, f.help)
		}
	}
	point := append(where, "point")
	row(namespace+"point[_UNIT]", "gauge", point, "Readings of map points without a quantity, one name for each base unit.")
	row(namespace+"point[_UNIT]_total", "counter", point, "Counters of map points without a quantity, one name for each base unit.")
	row(namespace+"poll_duration_seconds", "histogram", []string{"site"}, tookHelp)
	row(namespace+"poll_lateness_seconds", "histogram", []string{"group"}, lateHelp)
	row(namespace+"build_info", "gauge", []string{"version", "revision"}, buildHelp)
	return b.String()
}
