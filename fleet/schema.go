package fleet

import (
	"encoding/json"
	"regexp"
	"strings"
)

// Schema returns the JSON Schema (draft 2020-12) of the fleet file with these kinds of alarm, for editors that
// complete and check as one types. It is made from the tables that [Parse] reads by. It cannot say everything that
// Parse checks: limits of amounts with units, ids that are doubled, settings that contradict each other.
func Schema(kinds []KindInfo) []byte {
	root := fileKeys.schema()
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "ringwarden fleet file"
	rules := root["properties"].(map[string]any)["rules"].(map[string]any)
	describeKinds(rules["items"].(map[string]any), kinds)
	b, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic(err) // only maps, texts and numbers of this package are in it
	}
	return append(b, '\n')
}

func (k keys) schema() map[string]any {
	properties, required := map[string]any{}, []string{}
	for i := range k {
		s := k[i].form.schema()
		s["description"] = k[i].about
		if k[i].fallback != "" {
			s["description"] = k[i].about + " (if left out: " + k[i].fallback + ")"
		}
		properties[k[i].name] = s
		if k[i].need != "" {
			required = append(required, k[i].name)
		}
	}
	s := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		s["required"] = required
	}
	return s
}

func (f versionForm) schema() map[string]any { return map[string]any{"const": f.only} }

// A text may be written without quotes, as in name: 7.
func (f textForm) schema() map[string]any {
	return map[string]any{"type": []string{"string", "number", "boolean"}, "minLength": 1, "examples": []string{f.example}}
}

func (truthForm) schema() map[string]any { return map[string]any{"type": "boolean"} }

func (f wholeForm) schema() map[string]any {
	return map[string]any{"type": "integer", "minimum": f.min, "maximum": f.max}
}

const spanPattern = `^([0-9]+d|([0-9]+(\.[0-9]*)?(ns|us|µs|ms|s|m|h))+)$`

func (f spanForm) schema() map[string]any {
	span := map[string]any{"type": "string", "pattern": spanPattern, "examples": []string{"15ms", "2s", "10m"}}
	if f.min == 0 {
		return map[string]any{"anyOf": []any{span, map[string]any{"const": 0}}}
	}
	return span
}

func (f wordForm) schema() map[string]any { return map[string]any{"enum": f.words} }

func (f amountForm) schema() map[string]any {
	return map[string]any{"type": "string", "pattern": amountPattern(f.unit), "examples": []string{f.example}}
}

func amountPattern(u Unit) string {
	words := unitWordsOf(u)
	for i, w := range words {
		words[i] = regexp.QuoteMeta(w)
	}
	return `^\s*[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?\s*(` + strings.Join(words, "|") + `)\s*$`
}

func (f listForm) schema() map[string]any {
	return map[string]any{"type": "array", "items": f.of.schema()}
}

const hoursPattern = `^([01][0-9]|2[0-3]):[0-5][0-9]-([01][0-9]|2[0-3]):[0-5][0-9]$`

func (f hoursForm) schema() map[string]any {
	return map[string]any{"type": "string", "pattern": hoursPattern, "examples": []string{f.example}}
}

func (f namesForm) schema() map[string]any {
	return map[string]any{"type": "array", "minItems": 1, "items": textForm(f).schema()}
}

func (f partForm) schema() map[string]any { return f.of.schema() }

func (settingsForm) schema() map[string]any { return map[string]any{"type": "object"} }

// describeKinds lets a rule's kind decide which thresholds it can have.
func describeKinds(rule map[string]any, kinds []KindInfo) {
	var cases []any
	for _, kind := range kinds {
		thresholds := map[string]any{}
		for _, t := range kind.Thresholds {
			thresholds[t.Name] = t.schema()
		}
		cases = append(cases, map[string]any{
			"if": map[string]any{
				"properties": map[string]any{"kind": map[string]any{"const": kind.Kind}}, "required": []string{"kind"},
			},
			"then": map[string]any{"properties": map[string]any{
				"thresholds": map[string]any{"properties": thresholds, "additionalProperties": false},
			}},
		})
	}
	if len(cases) > 0 {
		rule["allOf"] = cases
	}
	kind := rule["properties"].(map[string]any)["kind"].(map[string]any)
	delete(kind, "examples")
	kind["enum"] = append([]string{}, kindNames(kinds)...)
}

func (t Threshold) schema() map[string]any {
	s := map[string]any{"description": t.Why}
	if t.Unit == Plain {
		s["type"], s["minimum"], s["maximum"], s["default"] = "number", t.Min, t.Max, t.Default
		return s
	}
	if t.Unit == Second {
		s = spanForm{seconds(t.Min), seconds(t.Max)}.schema()
		s["description"] = t.Why
		return s
	}
	s["type"], s["pattern"], s["examples"] = "string", amountPattern(t.Unit), []string{example(t)}
	return s
}
