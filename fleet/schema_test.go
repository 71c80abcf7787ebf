package fleet_test

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"ringwarden/fleet"
)

// schema compiles the generated schema with a library that is not ours, which also checks it against draft 2020-12.
func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(fleet.Schema(kinds)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("fleet.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("fleet.json")
	if err != nil {
		t.Fatal(err)
	}
	if s.DraftVersion != 2020 {
		t.Errorf("the schema is of draft %d", s.DraftVersion)
	}
	return s
}

func document(t *testing.T, data []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// An editor must not mark what the parser takes.
func TestSchemaTakesGoodFiles(t *testing.T) {
	s := schema(t)
	good := append(files(t, "testdata/good/*.yaml"), demoFile)
	for _, file := range good {
		if err := s.Validate(document(t, read(t, file))); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	if err := s.Validate(document(t, example(t))); err != nil {
		t.Errorf("the example of FORMAT.md: %v", err)
	}
}

// These are faults of meaning (ids that are doubled, settings that contradict each other, limits of amounts), which a
// schema cannot say. All other bad files it must refuse.
var beyondSchema = map[string]bool{
	"gateway.yaml": true, "keep-order.yaml": true, "listen.yaml": true, "periods.yaml": true, "periods-order.yaml": true,
	"notify-clear.yaml": true, "notify-nobody.yaml": true, "operators.yaml": true, "rules-contradict.yaml": true, "rules-eclipsed.yaml": true, "rules-of-nameless.yaml": true, "zones.yaml": true,
}

func TestSchemaRefusesBadFiles(t *testing.T) {
	s := schema(t)
	for _, file := range files(t, "testdata/bad/*.yaml") {
		name := filepath.Base(file)
		if name == "syntax.yaml" || name == "tab.yaml" || name == "aliases.yaml" || name == "doubled.yaml" {
			continue // the library cannot make a value of them that a schema could look at
		}
		err := s.Validate(document(t, read(t, file)))
		if beyond := beyondSchema[name]; (err == nil) != beyond {
			t.Errorf("%s: %v; beyond the schema: %v", name, err, beyond)
		}
	}
}

// One slip at a time, so that no other fault in the file hides that the schema would take it.
func TestSchemaRefusesEachSlip(t *testing.T) {
	s := schema(t)
	good := string(example(t))
	for was, slip := range map[string]string{
		"format: 1": "format: 2", "listen:": "listn:", "commit: 1m": "commit: 60", "fast: 5s": "fast: 5",
		"kind: link-noisy": "kind: link-loud", "difference: 4 °C": "difference: 4", "{difference: 4": "{diference: 4",
		"disabled: true": "disabled: maybe", "priority: low": "priority: lowest", "open: false": "open: 0",
		"zone: Europe/Dublin": "zones: Europe/Dublin", "48 V": "48", "cells: 24": "cells: 24.5", "800 Ah": "800 Wh",
		"source: hydro": "source: water", "unit: 3": "unit: 300", "rated: 1.5 kW": "rated: 1500", "57.6 V": "57.6 mA",
		"on_shared_fault: stay": "on_shared_fault: on", "ring_address: 2": "ring_address: -2", "key: tls": "kye: tls",
		"tls: starttls": "tls: maybe", "22:00-07:00": "22-7", "to: [Maren, company]": "to: Maren", "quiet_up_to: medium": "quiet_up_to: high",
		"secret_file:": "secret:", "resend: 1m": "resend: 1",
	} {
		at := regexp.MustCompile(regexp.QuoteMeta(was)).FindStringIndex(good)
		if at == nil {
			t.Fatalf("the example has no %q", was)
		}
		bad := []byte(good[:at[0]] + slip + good[at[1]:])
		if s.Validate(document(t, bad)) == nil {
			t.Errorf("the schema takes %q for %q", slip, was)
		}
		if _, err := fleet.Parse("fleet.yaml", bad, kinds); err == nil {
			t.Errorf("the parser takes %q for %q", slip, was)
		}
	}
}

// The schema is a file that people keep beside theirs; the golden file shows what a change of the tables does to it.
func TestSchemaText(t *testing.T) {
	golden(t, "testdata/schema.json", string(fleet.Schema(kinds)))
	if info, err := os.Stat("testdata/schema.json"); err != nil || info.Size() < 1000 {
		t.Errorf("the golden schema is %v, %v", info, err)
	}
}
