package fleet_test

import (
	"strings"
	"testing"

	"ringwarden/fleet"
)

// Rules that are tried out are read as strictly as those of a fleet file, and for the places of that.
func TestParseRules(t *testing.T) {
	kinds := []fleet.KindInfo{{Kind: "link-down", Subject: "link"}}
	f := &fleet.Fleet{Sites: []fleet.Site{{ID: "mill", Rings: []fleet.Ring{{ID: "mill/north"}}}}}
	rules, err := fleet.ParseRules("quiet.yaml", []byte("format: 1\nrules:\n  - {kind: link-down, at: mill/north, disabled: true}\n"), kinds, f)
	if err != nil || len(rules) != 1 || rules[0].At != "mill/north" {
		t.Fatalf("%v, %v", rules, err)
	}
	for text, want := range map[string]string{
		"format: 1\nrules:\n  - {kind: link-dwn, disabled: true}\n":            `quiet.yaml:3:12: unknown kind of alarm "link-dwn"; did you mean "link-down"?`,
		"format: 1\nrules:\n  - {kind: link-down, at: farm, disabled: true}\n": `quiet.yaml:3:27: at "farm" names nothing in this file`,
		"format: 1\nsites: []\nrules: []\n":                                    `quiet.yaml:2:1: unknown key "sites"`,
		"rules: []\n":                                                          "write format: 1",
		"format: 2\n":                                                          "format is 2",
	} {
		if _, err := fleet.ParseRules("quiet.yaml", []byte(text), kinds, f); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}
