package fleet_test

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ringwarden/fleet"
)

const formatPage = "FORMAT.md"

var (
	exampleBlock = regexp.MustCompile("(?s)```yaml\n(.*?)```")
	keyTable     = regexp.MustCompile(`(?s)<!-- keys: ([a-z]+) -->\n(.*?)<!-- end -->\n`)
)

// example is the whole file that FORMAT.md begins with.
func example(t *testing.T) []byte {
	t.Helper()
	m := exampleBlock.FindSubmatch(read(t, formatPage))
	if m == nil {
		t.Fatal("the page has no example")
	}
	return m[1]
}

// Somebody who starts from the page's example must end with a file that works and means what the page says.
func TestFormatExample(t *testing.T) {
	f, err := fleet.Parse("fleet.yaml", example(t), kinds)
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/example.want", dump(t, f))
}

// The example shows every key but those that open the daemon to other machines.
func TestFormatExampleShowsEveryKey(t *testing.T) {
	text := string(example(t))
	for heading, docs := range fleet.KeyDocs() {
		for _, k := range docs {
			if !slices.Contains([]string{"plain_http", "web", "operators"}, k.Name) && !regexp.MustCompile(`\b`+k.Name+`:`).MatchString(text) {
				t.Errorf("the example lacks %s of %s", k.Name, heading)
			}
		}
	}
}

// The tables of the page are made from the tables that the parser reads by.
func TestFormatTables(t *testing.T) {
	page := string(read(t, formatPage))
	docs := fleet.KeyDocs()
	var seen []string
	now := keyTable.ReplaceAllStringFunc(page, func(table string) string {
		heading := keyTable.FindStringSubmatch(table)[1]
		seen = append(seen, heading)
		if docs[heading] == nil {
			t.Errorf("the page has a table %q and the parser none", heading)
		}
		return "<!-- keys: " + heading + " -->\n" + markdown(docs[heading]) + "<!-- end -->\n"
	})
	for heading := range docs {
		if !slices.Contains(seen, heading) {
			t.Errorf("the page has no table %q", heading)
		}
	}
	if *update {
		if err := os.WriteFile(formatPage, []byte(now), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if now != page {
		t.Error("the tables of FORMAT.md are not the parser's; go test ./fleet -update rewrites them")
	}
}

func markdown(docs []fleet.KeyDoc) string {
	var b strings.Builder
	b.WriteString("| key | value | if left out | meaning |\n| --- | --- | --- | --- |\n")
	for _, k := range docs {
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", k.Name, k.Value, k.Fallback, k.About)
	}
	return b.String()
}
