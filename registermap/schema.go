package registermap

import (
	"encoding/json"
	"strings"

	"ringwarden/fleet"
)

type obj = map[string]any

// Schema returns the JSON Schema (2020-12) of the file format, for editors that complete and check maps. It is made
// from the tables that the parser goes by. It knows what stands on one key; what holds between keys and between points
// (overlaps, units against quantities) only the parser checks.
func Schema() []byte {
	s := objectSchema(mapKeys)
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "ringwarden register map"
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic("registermap: the schema is not JSON: " + err.Error()) // made of maps, lists and texts alone
	}
	return append(data, '\n')
}

func objectSchema(keys []key) obj {
	properties, required := obj{}, []string{}
	for _, k := range keys {
		s := k.schema()
		s["description"] = k.about
		properties[k.name] = s
		if k.need != "" {
			required = append(required, k.name)
		}
	}
	s := obj{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		s["required"] = required
	}
	return s
}

func enum(words []string) func() map[string]any {
	return func() map[string]any { return obj{"enum": words} }
}

func whole(min, max int) func() map[string]any {
	return func() map[string]any { return obj{"type": "integer", "minimum": min, "maximum": max} }
}

func textSchema(max int) func() map[string]any {
	return func() map[string]any {
		return obj{"type": []string{"string", "number"}, "minLength": 1, "maxLength": max}
	}
}

func numberSchema() map[string]any { return obj{"type": "number"} }

func boolSchema() map[string]any { return obj{"type": "boolean"} }

func durationSchema() map[string]any {
	return obj{"type": "string", "pattern": `^[0-9]`}
}

func nameSchema() map[string]any { return obj{"type": "string", "pattern": pointName.String()} }

func rangesSchema() map[string]any {
	return obj{"type": "array", "items": obj{"anyOf": []obj{
		{"type": "integer", "minimum": 0, "maximum": lastAddress + 1},
		{"type": "string", "pattern": `^((` + strings.Join(tableWords[:], "|") + `) +)?` + numberPattern + `( *- *` + numberPattern + `)?$`},
	}}}
}

const numberPattern = `(0x[0-9a-fA-F]+|[0-9]+)`

func atSchema() map[string]any {
	return obj{"type": "string", "pattern": `^(` + strings.Join(tableWords[:], "|") + `) +` + numberPattern + `$`}
}

func bitsSchema() map[string]any {
	return obj{"anyOf": []obj{
		{"type": "integer", "minimum": 0, "maximum": 63},
		{"type": "string", "pattern": `^[0-9]{1,2}( *- *[0-9]{1,2})?$`},
	}}
}

func quantitySchema() map[string]any { return obj{"enum": quantityWords()} }

func unitSchema() map[string]any { return obj{"enum": fleet.UnitWords()} }

func plausibleSchema() map[string]any {
	return obj{"type": "array", "items": numberSchema(), "minItems": 2, "maxItems": 2}
}

func absentSchema() map[string]any {
	return obj{"anyOf": []obj{numberSchema(), {"type": "array", "items": numberSchema(), "minItems": 1}}}
}

func valuesSchema() map[string]any {
	return obj{
		"type": "object", "minProperties": 1, "additionalProperties": false,
		"patternProperties": obj{`^(-?[0-9]+|0x[0-9a-fA-F]+)$`: obj{"type": "string", "pattern": word.String()}},
	}
}

func flagsSchema() map[string]any {
	return obj{
		"type": "object", "minProperties": 1, "additionalProperties": false,
		"patternProperties": obj{`^([0-9]|[1-5][0-9]|6[0-3])$`: obj{"type": "string", "pattern": word.String()}},
	}
}

func pointsSchema() map[string]any {
	point := objectSchema(pointKeys)
	point["allOf"] = []obj{
		implies("quantity", fleet.QuantityStage.String(), "values", meansStage),
		implies("quantity", fleet.Faults.String(), "flags", meansFlags),
		implies("type", Text.String(), "length", meansText),
	}
	return obj{
		"type": "object", "minProperties": 1, "maxProperties": MaxPoints,
		"propertyNames":        obj{"pattern": pointName.String()},
		"additionalProperties": point,
	}
}

// implies returns the rule that a key of a certain value needs another key and leaves no meaning to some.
func implies(key, value, needed string, m meaning) obj {
	properties := obj{}
	for _, k := range needless[m] {
		properties[k] = false
	}
	if m == meansStage {
		properties["values"] = obj{"additionalProperties": obj{"enum": stageWords()}}
	}
	return obj{
		"if":   obj{"required": []string{key}, "properties": obj{key: obj{"const": value}}},
		"then": obj{"required": []string{needed}, "properties": properties},
	}
}

func quantityWords() []string {
	var words []string
	for _, q := range fleet.AllQuantities() {
		words = append(words, q.String())
	}
	return words
}

func stageWords() []string {
	var words []string
	for _, s := range fleet.Stages {
		words = append(words, s.String())
	}
	return words
}

func stageList() string { return strings.Join(stageWords(), ", ") }

func groupWords() []string {
	var words []string
	for _, g := range fleet.Groups {
		words = append(words, g.String())
	}
	return words
}
