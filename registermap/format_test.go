package registermap_test

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// formatPage returns FORMAT.md.
func formatPage(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// section returns the text under a heading, up to the next heading.
func section(t *testing.T, page, heading string) string {
	t.Helper()
	_, text, ok := strings.Cut(page, "\n"+heading+"\n")
	if !ok {
		t.Fatalf("FORMAT.md has no heading %q", heading)
	}
	text, _, _ = strings.Cut(text, "\n#")
	return text
}

var (
	firstCell = regexp.MustCompile("(?m)^\\| `([^`]+)`")
	quoted    = regexp.MustCompile("`([^`]+)`")
)

func cells(text string) []string {
	var all []string
	for _, m := range firstCell.FindAllStringSubmatch(text, -1) {
		all = append(all, m[1])
	}
	return all
}

// Whoever copies the page's example must get a map without a fault.
func TestFormatExampleIsRead(t *testing.T) {
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(formatPage(t), -1)
	if len(blocks) == 0 {
		t.Fatal("FORMAT.md has no example")
	}
	for _, b := range blocks {
		m, err := registermap.Parse("FORMAT.md", []byte(b[1]))
		if err != nil {
			t.Fatal(err)
		}
		if len(m.Points()) < 10 {
			t.Errorf("the example has %d points", len(m.Points()))
		}
	}
}

func TestFormatListsTypesOrdersAndUnits(t *testing.T) {
	page := formatPage(t)
	var types, orders []string
	for _, ty := range registermap.Types() {
		types = append(types, ty.String())
	}
	for _, o := range registermap.Orders() {
		orders = append(orders, o.String())
	}
	if got := cells(section(t, page, "### Types")); !slices.Equal(got, types) {
		t.Errorf("FORMAT.md lists types %v, the code has %v", got, types)
	}
	if got := cells(section(t, page, "### Word orders")); !slices.Equal(got, orders) {
		t.Errorf("FORMAT.md lists word orders %v, the code has %v", got, orders)
	}
	_, table, _ := strings.Cut(section(t, page, "### Numbers and units"), "| base unit |")
	var rows []string
	for _, line := range strings.Split(table, "\n") {
		if words := quoted.FindAllStringSubmatch(line, -1); words != nil {
			base := strings.TrimSpace(strings.Split(line, "|")[1])
			for _, w := range words {
				rows = append(rows, w[1]+" in "+base)
			}
		}
	}
	var units []string
	for _, w := range fleet.UnitWords() {
		u, _ := fleet.ParseUnit(w)
		units = append(units, w+" in "+string(u.Base))
	}
	slices.Sort(rows)
	slices.Sort(units)
	if !slices.Equal(rows, units) {
		t.Errorf("FORMAT.md lists units\n%v, the code has\n%v", rows, units)
	}
}

// The keys of each table of the page are those of the schema, which is made from the tables of the parser.
func TestFormatListsKeys(t *testing.T) {
	page := formatPage(t)
	schema := decodeJSON(t, registermap.Schema())
	file := properties(schema)
	reads := properties(file["reads"])
	point := properties(properties(schema)["points"].(map[string]any)["additionalProperties"])
	for heading, keys := range map[string]map[string]any{"## The file": file, "### `reads`": reads, "## A point": point} {
		want := make([]string, 0, len(keys))
		for k := range keys {
			want = append(want, k)
		}
		got := cells(section(t, page, heading))
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s lists %v, the parser knows %v", heading, got, want)
		}
	}
}

func TestFormatListsQuantities(t *testing.T) {
	shapes := map[fleet.Shape]string{
		fleet.ShapeNumber: "number", fleet.ShapeStage: "stage", fleet.ShapeFlags: "flags", fleet.ShapeTruth: "flag", fleet.ShapeText: "text or number",
	}
	var want []string
	for _, q := range fleet.AllQuantities() {
		counter := ""
		if q.Counter() {
			counter = "counter"
		}
		want = append(want, fmt.Sprint(q, " | ", q.Unit(), " | ", shapes[q.Shape()], " | ", q.Group(), " | ", counter))
	}
	var got []string
	for _, line := range strings.Split(section(t, formatPage(t), "### Quantities"), "\n") {
		if cell := strings.Split(line, "|"); len(cell) == 7 && strings.Contains(cell[1], "`") {
			for i := range cell {
				cell[i] = strings.Trim(cell[i], " `")
			}
			cell[3], _, _ = strings.Cut(cell[3], ",")
			got = append(got, strings.Join(cell[1:6], " | "))
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("FORMAT.md lists quantities\n%s\nthe code has\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
