package fleet

import (
	"fmt"
	"strings"

	"ringwarden/fleet/userfile"
)

// A KeyDoc is what a person reads of a key.
type KeyDoc struct{ Name, Value, Fallback, About string }

// KeyDocs returns the tables that the parser reads by, by the heading that FORMAT.md gives them.
func KeyDocs() map[string][]KeyDoc {
	docs := map[string][]KeyDoc{}
	for heading, table := range map[string]keys{
		"file": fileKeys, "periods": periodKeys, "keep": keepKeys, "rule": ruleKeys, "site": siteKeys, "ring": ringKeys, "bank": bankKeys,
		"controller": controllerKeys, "tls": tlsKeys, "setpoints": setpointKeys,
		"notify": notifyKeys, "mail": mailKeys, "webhook": webhookKeys, "alertmanager": alertmanagerKeys, "person": personKeys,
		"route": routeKeys,
	} {
		for i := range table {
			k := &table[i]
			fallback := k.fallback
			if k.need != "" {
				fallback = "must be there"
			}
			docs[heading] = append(docs[heading], KeyDoc{k.name, describeForm(k.form), fallback, k.about})
		}
	}
	return docs
}

func describeForm(f form) string {
	switch f := f.(type) {
	case versionForm:
		return fmt.Sprint(f.only)
	case textForm:
		return "text, such as `" + f.example + "`"
	case truthForm:
		return "`true` or `false`"
	case wholeForm:
		return fmt.Sprintf("whole number from %d to %d", f.min, f.max)
	case spanForm:
		return fmt.Sprintf("time span from %s to %s", userfile.Span(f.min), userfile.Span(f.max))
	case keepForm:
		return fmt.Sprintf("time span from %s to %s, or `%s`", userfile.Span(f.min), userfile.Span(keepLongest), always)
	case sizeForm:
		return fmt.Sprintf("size from %s to %s, such as `2 GiB`, or `none`", Size(f.min), Size(f.max))
	case wordForm:
		return "`" + strings.Join(f.words, "`, `") + "`"
	case amountForm:
		return fmt.Sprintf("from %s to %s, such as `%s`", f.min, f.max, f.example)
	case hoursForm:
		return "hours of the day, such as `" + f.example + "`"
	case namesForm:
		return "list of names, such as `[" + f.example + "]`"
	case listForm:
		return "list"
	case partForm:
		return "mapping"
	case settingsForm:
		return "mapping of names to amounts"
	}
	return "?"
}

// Slug is how a name becomes an id.
var Slug = slug

// Example is how a threshold's default is written in a file.
var Example = example
