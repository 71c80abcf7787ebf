package fleet

import (
	"math"
	"math/big"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// Keep says how long what is stored is kept, and how large the database may become. Alarms and notes are kept for ever.
type Keep struct {
	Raw         time.Duration // every reading; 0: for ever
	FiveMinutes time.Duration // rollups of five minutes; 0: for ever
	Hours       time.Duration // rollups of hours and days; 0: for ever
	Ceiling     int64         // bytes of the file; 0: nothing bounds it
}

const day = 24 * time.Hour

// DefaultKeep is what a fleet file that says nothing means.
var DefaultKeep = Keep{Raw: 90 * day, FiveMinutes: 730 * day}

// always is the word for a time without an end.
const always = "always"

var keepKeys = keys{
	{name: "raw", about: "how long every reading is kept", fallback: "90d", form: keepForm{2 * day}},
	{name: "five_minutes", about: "how long rollups of five minutes are kept", fallback: "730d", form: keepForm{7 * day}},
	{name: "hours", about: "how long rollups of hours and days are kept", fallback: always, form: keepForm{30 * day}},
	{name: "ceiling", about: "size that the database must not grow beyond: the oldest readings go first", fallback: "none", form: sizeForm{64 << 20, 16 << 40}},
}

type (
	// keepForm is a time span from min to keepLongest, or always.
	keepForm struct{ min time.Duration }
	// sizeForm is a number of bytes with its unit, or none.
	sizeForm struct{ min, max int64 }
)

const keepLongest = 100 * 365 * day

func (f keepForm) schema() map[string]any {
	return map[string]any{"anyOf": []any{spanForm{f.min, keepLongest}.schema(), map[string]any{"const": always}}}
}

func (f sizeForm) schema() map[string]any {
	return map[string]any{"anyOf": []any{
		map[string]any{"type": "string", "pattern": `^\s*(0|[1-9][0-9]*)(\.[0-9]+)?\s*(` + strings.Join(sizeWords(), "|") + `)\s*$`, "examples": []string{"2 GiB"}},
		map[string]any{"const": "none"},
	}}
}

var sizeUnits = []struct {
	word  string
	bytes int64
}{{"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}}

func sizeWords() []string {
	words := make([]string, len(sizeUnits))
	for i, u := range sizeUnits {
		words[i] = u.word
	}
	return words
}

func (p *parser) keep(file *section) {
	p.fleet.Keep = DefaultKeep
	s, ok := file.part("keep", "keep")
	if !ok {
		return
	}
	k := &p.fleet.Keep
	for name, to := range map[string]*time.Duration{"raw": &k.Raw, "five_minutes": &k.FiveMinutes, "hours": &k.Hours} {
		if v, ok := s.keepTime(name); ok {
			*to = v
		}
	}
	if v, ok := s.size("ceiling"); ok {
		k.Ceiling = v
	}
	checkKept(s, "five_minutes", k.FiveMinutes, "raw", k.Raw)
	checkKept(s, "hours", k.Hours, "five_minutes", k.FiveMinutes)
}

// checkKept wants the coarser of two kinds to be kept for at least as long as the finer.
func checkKept(s *section, coarse string, long time.Duration, fine string, short time.Duration) {
	if long == 0 || short != 0 && short <= long {
		return
	}
	word := always
	if short != 0 {
		word = userfile.Span(short)
	}
	s.doc.Faultf(s.at(coarse), "%s (%s) is kept for less time than %s (%s); the coarser must be kept for as long at least", coarse, userfile.Span(long), fine, word)
}

func (s *section) keepTime(name string) (time.Duration, bool) {
	n, ok := s.m.Get(name)
	if !ok {
		return 0, false
	}
	if n.Kind == yaml.ScalarNode && n.Value == always {
		return 0, true
	}
	f := s.keys.form(name).(keepForm)
	return s.doc.Duration(n, name, f.min, keepLongest)
}

func (s *section) size(name string) (int64, bool) {
	n, ok := s.m.Get(name)
	if !ok {
		return 0, false
	}
	if n.Kind == yaml.ScalarNode && n.Value == "none" {
		return 0, true
	}
	f := s.keys.form(name).(sizeForm)
	v, ok := exactSize(n)
	switch {
	case !ok:
		s.doc.Faultf(n, "%s must be a size with its unit (%s), such as 2 GiB, or none", name, strings.Join(sizeWords(), " "))
		return 0, false
	case v < f.min || v > f.max:
		s.doc.Faultf(n, "%s is %s; it must be from %s to %s", name, n.Value, Size(f.min), Size(f.max))
		return 0, false
	}
	return v, true
}

func exactSize(n *yaml.Node) (int64, bool) {
	m := amountText.FindStringSubmatch(strings.TrimSpace(n.Value))
	if n.Kind != yaml.ScalarNode || m == nil {
		return 0, false
	}
	for _, u := range sizeUnits {
		if u.word != m[2] {
			continue
		}
		v, _ := new(big.Rat).SetString(m[1])
		f, _ := v.Mul(v, new(big.Rat).SetInt64(u.bytes)).Float64()
		if f > math.MaxInt64/2 {
			return math.MaxInt64 / 2, true // beyond every limit
		}
		return int64(f), true
	}
	return 0, false
}
