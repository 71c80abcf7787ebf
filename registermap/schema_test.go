package registermap_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"
	"pgregory.net/rapid"

	"ringwarden/registermap"
)

func decodeJSON(t *testing.T, data []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func properties(schema any) map[string]any {
	return schema.(map[string]any)["properties"].(map[string]any)
}

func compileSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	if err := c.AddResource("map.json", decodeJSON(t, registermap.Schema())); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("map.json") // also holds it against the 2020-12 meta-schema
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asJSON returns a YAML document as an editor's schema checker sees it: keys are texts.
func asJSON(t *testing.T, data []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	out, err := json.Marshal(textKeys(v))
	if err != nil {
		t.Fatal(err)
	}
	return decodeJSON(t, out)
}

func textKeys(v any) any {
	switch v := v.(type) {
	case float64:
		if math.IsNaN(v) {
			return "not a number" // JSON has no word for it
		}
	case map[string]any:
		for k := range v {
			v[k] = textKeys(v[k])
		}
	case map[any]any:
		m := map[string]any{}
		for k := range v {
			m[fmt.Sprint(k)] = textKeys(v[k])
		}
		return m
	case []any:
		for i := range v {
			v[i] = textKeys(v[i])
		}
	}
	return v
}

// An editor must not mark what the program accepts.
func TestSchemaAcceptsGoodMaps(t *testing.T) {
	s := compileSchema(t)
	good := 0
	for _, data := range fixtures(t) {
		if _, err := registermap.Parse("fixture.yaml", data); err != nil {
			continue
		}
		if err := s.Validate(asJSON(t, data)); err != nil {
			t.Errorf("%s\n%v", data, err)
		}
		good++
	}
	if good < 4 {
		t.Errorf("only %d fixtures are good maps", good)
	}
	_, page, _ := strings.Cut(formatPage(t), "```yaml\n")
	example, _, _ := strings.Cut(page, "```")
	if err := s.Validate(asJSON(t, []byte(example))); err != nil {
		t.Errorf("FORMAT.md: %v", err)
	}
	rapid.Check(t, func(r *rapid.T) {
		if err := s.Validate(asJSON(t, []byte(drawMap(r)))); err != nil {
			r.Fatal(err)
		}
	})
}

// What is wrong in one place an editor can mark. What is wrong between places, such as an overlap, only the program
// sees; those bad maps are listed here, so that a hole in the schema shows.
func TestSchemaRefusesWhatIsWrongInOnePlace(t *testing.T) {
	between := map[string]string{
		"overlaps": "two points", "longest": "point and reads", "scale-from": "two points",
		"forbidden-numbers-from-one": "addresses and numbering",
		"counters":                   "true or false; YAML 1.1 takes yes for true",
		"duplicates":                 "other parsers refuse a key that stands twice", "flags": "the same",
		"syntax": "no YAML", "empty": "no document", "yaml-traps": "merge keys and a second document",
		"names": "a key that is a list",
	}
	s := compileSchema(t)
	paths, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatal("no bad maps")
	}
	refused := 0
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".yaml")
		if _, ok := between[name]; ok {
			continue
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if s.Validate(asJSON(t, data)) == nil {
			t.Errorf("the schema accepts %s", path)
		}
		refused++
	}
	if refused < 10 {
		t.Errorf("only %d bad maps were held against the schema", refused)
	}
}
