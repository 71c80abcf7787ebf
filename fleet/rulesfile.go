package fleet

import (
	"fmt"
	"io"
	"os"

	"ringwarden/fleet/userfile"
)

// rulesKeys are those of a file with rules alone. They are the fleet file's, so that a part of one can be tried out.
var rulesKeys = keys{
	{name: "format", need: "write format: 1", form: fileKeys.form("format")},
	{name: "rules", need: "list the rules to try", form: fileKeys.form("rules")},
}

// LoadRules reads a file with a format and rules alone, written as in a fleet file, for the fleet f: to try rules before
// they are put in force. They are checked against kinds and against what is in f.
func LoadRules(path string, kinds []KindInfo, f *Fleet) (Rules, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("reading the rules: %w", err)
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, userfile.MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("reading the rules: %w", err)
	}
	return ParseRules(path, data, kinds, f)
}

// ParseRules is [LoadRules] for data in memory; the name of the file serves in messages.
func ParseRules(file string, data []byte, kinds []KindInfo, f *Fleet) (Rules, error) {
	p := &parser{doc: userfile.Parse(file, data), kinds: kinds, depth: depths(f)}
	if p.doc.Root != nil && p.version() {
		if s, ok := open(p.doc, p.doc.Root, "the file with rules", rulesKeys); ok {
			p.rules(s)
		}
	}
	if err := p.doc.Err(); err != nil {
		return nil, err
	}
	return p.fleet.Rules, nil
}

// depths says what each id of a fleet is.
func depths(f *Fleet) map[Subject]string {
	all := map[Subject]string{}
	for s := range f.Sites {
		all[Subject(f.Sites[s].ID)] = "site"
		for r := range f.Sites[s].Rings {
			ring := &f.Sites[s].Rings[r]
			all[Subject(ring.ID)] = "ring"
			for c := range ring.Controllers {
				all[Subject(ring.Controllers[c].ID)] = "controller"
			}
			for _, l := range ring.Links() {
				all[Subject(l.ID)] = "link"
			}
		}
	}
	return all
}
