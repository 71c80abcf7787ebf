package userfile_test

import (
	"strings"
	"testing"
	"time"

	"gopkg.in/yaml.v3"

	"ringwarden/fleet/userfile"
)

// Each of these is read silently as something else by the YAML library, or loses its place. A person who wrote one
// would get a wrong scale, a wrong address or half a file without a word.
func TestSilentConversionsAreRefused(t *testing.T) {
	type read func(d *userfile.Document, n *yaml.Node) bool
	integer := func(d *userfile.Document, n *yaml.Node) bool { _, ok := d.Integer(n, "unit", 0, 1000); return ok }
	number := func(d *userfile.Document, n *yaml.Node) bool { _, ok := d.Number(n, "scale", -1e9, 1e9); return ok }
	truth := func(d *userfile.Document, n *yaml.Node) bool { _, ok := d.Truth(n, "open"); return ok }
	text := func(d *userfile.Document, n *yaml.Node) bool { _, ok := d.Text(n, "name"); return ok }
	span := func(d *userfile.Document, n *yaml.Node) bool {
		_, ok := d.Duration(n, "pause", 0, time.Hour)
		return ok
	}
	tests := []struct {
		name, value string
		read        read
		want        string
	}{
		{"octal", "010", integer, `f.yaml:1:4: unit must be a whole number, not "010"; write it without the leading zero (some programs read that as octal)`},
		{"float into integer", "1.5", integer, `f.yaml:1:4: unit must be a whole number, not "1.5"`},
		{"half into integer", ".5", integer, `f.yaml:1:4: unit must be a whole number, not ".5"`},
		{"exponent into integer", "1e3", integer, `f.yaml:1:4: unit must be a whole number, not "1e3"`},
		{"underscores", "1_000", integer, `f.yaml:1:4: unit must be a whole number, not "1_000"`},
		{"range", "1001", integer, `f.yaml:1:4: unit is 1001; it must be from 0 to 1000`},
		{"too long", "99999999999999999999", integer, `f.yaml:1:4: unit is 99999999999999999999; it must be from 0 to 1000`},
		{"not a number", ".nan", number, `f.yaml:1:4: scale must be a number such as 12 or 0.1, not ".nan"`},
		{"infinite", ".inf", number, `f.yaml:1:4: scale must be a number such as 12 or 0.1, not ".inf"`},
		{"yes", "yes", truth, `f.yaml:1:4: open must be true or false, not "yes"`},
		{"on", "on", truth, `f.yaml:1:4: open must be true or false, not "on"`},
		{"quoted true", `"true"`, truth, `f.yaml:1:4: open must be true or false, not "true"`},
		{"a list for a text", "[a]", text, `f.yaml:1:4: name must be a text, not a list`},
		{"blank text", `" "`, text, `f.yaml:1:4: name is empty`},
		{"span without unit", "15", span, `f.yaml:1:4: pause must be a time span with its unit, such as 15ms, 2s or 10m, not "15"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := userfile.Parse("f.yaml", []byte("k: "+tt.value+"\n"))
			if tt.read(d, d.Root.Content[1]) {
				t.Errorf("%s was accepted", tt.value)
			}
			if got := d.Err(); got == nil || got.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", got, tt.want)
			}
		})
	}
}

func TestGoodScalars(t *testing.T) {
	d := userfile.Parse("f.yaml", []byte("{i: 0x1F, n: -12.50, e: 1e-3, t: true, d: 7d, s: \"yes\", b: 0xFFFFFFFFFFFFFFFF}"))
	m, ok := d.Mapping(d.Root, "the file", "i", "n", "e", "t", "d", "s", "b")
	if !ok {
		t.Fatal(d.Err())
	}
	get := func(k string) *yaml.Node { n, _ := m.Get(k); return n }
	if v, _ := d.Integer(get("i"), "i", 0, 99); v != 31 {
		t.Errorf("0x1F = %d, want 31", v)
	}
	if v, _ := d.Decimal(get("n"), "n"); v == nil || v.RatString() != "-25/2" {
		t.Errorf("-12.50 = %v, want -25/2", v)
	}
	if v, _ := d.Number(get("e"), "e", 0, 1); v != 0.001 {
		t.Errorf("1e-3 = %v", v)
	}
	if v, ok := d.Truth(get("t"), "t"); !v || !ok {
		t.Errorf("true = %v, %v", v, ok)
	}
	if v, _ := d.Duration(get("d"), "d", 0, 1000*time.Hour); v != 168*time.Hour {
		t.Errorf("7d = %v", v)
	}
	if v, _ := d.Text(get("s"), "s"); v != "yes" {
		t.Errorf("quoted yes = %q", v)
	}
	if v, _ := d.Bits(get("b"), "b", 64); v != 1<<64-1 {
		t.Errorf("64 ones = %x", v)
	}
	if err := d.Err(); err != nil {
		t.Error(err)
	}
}

// One run of the check must show a person everything that is wrong, top to bottom.
func TestAllFaultsAtOnceInFileOrder(t *testing.T) {
	const file = `
name: mill
stes: []
name: again
<<: {a: 1}
empty:
`
	d := userfile.Parse("fleet.yaml", []byte(file))
	m, _ := d.Mapping(d.Root, "the fleet file", "name", "sites", "empty")
	m.Get("empty")
	m.Need("sites", "list at least one site")
	want := strings.Join([]string{
		`fleet.yaml:2:1: the fleet file has no sites; list at least one site`,
		`fleet.yaml:3:1: unknown key "stes" in the fleet file; did you mean "sites"?`,
		`fleet.yaml:4:1: "name" stands in the fleet file twice (first in line 2)`,
		`fleet.yaml:5:1: merge keys (<<) are not read; write the keys out`,
		`fleet.yaml:6:1: empty has no value; give it one or leave it out`,
	}, "\n")
	if got := d.Err().Error(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if n := len(userfile.Errors(d.Err())); n != 5 {
		t.Errorf("Errors found %d, want 5", n)
	}
}

func TestDocumentsThatAreNone(t *testing.T) {
	tests := []struct{ name, data, want string }{
		{"empty", "", "f.yaml:1:1: the file is empty"},
		{"comment only", "# nothing\n", "f.yaml:1:1: the file is empty"},
		{"second document", "a: 1\n---\nb: 2\n", "f.yaml:2:1: a second document starts here; put everything into the first"},
		{"unknown anchor", "a: *b\n", "f.yaml:1:1: not YAML: unknown anchor 'b' referenced"},
		{"bad utf-8", "a: \xff\n", "f.yaml:1:1: not YAML: invalid leading UTF-8 octet"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := userfile.Parse("f.yaml", []byte(tt.data)).Err()
			if err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
}

func TestByteOrderMarkAndCarriageReturns(t *testing.T) {
	d := userfile.Parse("f.yaml", []byte("\xef\xbb\xbfa: 1\r\nb: 2\r\n"))
	if err := d.Err(); err != nil {
		t.Fatal(err)
	}
	m, _ := d.Mapping(d.Root, "the file", "a", "b")
	n, _ := m.Get("b")
	if v, ok := d.Integer(n, "b", 0, 9); !ok || v != 2 {
		t.Errorf("b = %d, %v: %v", v, ok, d.Err())
	}
}

func TestSuggest(t *testing.T) {
	known := []string{"stage", "faults", "battery.voltage"}
	for w, want := range map[string]string{"stag": "stage", "satge": "stage", "Faults": "faults", "batery.voltage": "battery.voltage", "zzz": ""} {
		if got := userfile.Suggest(w, known); got != want {
			t.Errorf("Suggest(%q) = %q, want %q", w, got, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"", "a: 1", "[1, 2]", "a: &x {b: *x}", "? [a]\n: 1", "---\n---\n", "a: !!binary x", "\xef\xbb\xbf"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d := userfile.Parse("f.yaml", data)
		if d.Root == nil && d.Err() == nil {
			t.Fatal("neither a root nor a fault")
		}
		if d.Root != nil {
			if m, ok := d.Entries(d.Root, "the file"); ok {
				for _, e := range m.All() {
					d.Decimal(e.Value, e.Key)
					d.Duration(e.Value, e.Key, 0, time.Hour)
				}
			}
		}
		for _, e := range userfile.Errors(d.Err()) {
			if e.Line < 1 || e.Column < 1 {
				t.Errorf("fault without a place: %v", e)
			}
		}
	})
}

// Aliases can make a small file as large as one likes; reading it must end soon all the same, and with few faults.
func TestAliasesCannotMultiplyWithoutEnd(t *testing.T) {
	aliases := strings.Repeat("*c,", 3000)
	d := userfile.Parse("f.yaml", []byte("c: &c {bad: 1}\nb: &b ["+aliases+"]\na: ["+strings.ReplaceAll(aliases, "c", "b")+"]\n"))
	m, ok := d.Entries(d.Root, "the file")
	if !ok {
		t.Fatal(d.Err())
	}
	n, _ := m.Get("a")
	outer, _ := d.Sequence(n, "a")
	read := 0
	for _, n := range outer {
		inner, _ := d.Sequence(n, "b")
		for _, n := range inner {
			d.Mapping(n, "c", "good")
			read++
		}
	}
	faults := userfile.Errors(d.Err())
	if read > 1<<20 || len(faults) > 1001 {
		t.Errorf("%d parts were read and %d faults kept", read, len(faults))
	}
	if got := faults[len(faults)-1].Msg; !strings.HasSuffix(got, "more faults") {
		t.Errorf("the last fault is %q; it should count the rest", got)
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0s", 15 * time.Millisecond: "15ms", 5 * time.Minute: "5m", 2 * time.Hour: "2h", 90 * time.Minute: "1h30m",
		24 * time.Hour: "24h", 7 * 24 * time.Hour: "7d", 49 * time.Hour: "49h",
		time.Hour + time.Second: "1h0m1s", 10 * time.Second: "10s", time.Minute + 30*time.Second: "1m30s",
	} {
		if got := userfile.Span(d); got != want {
			t.Errorf("Span(%v) = %q, want %q", d, got, want)
		}
	}
}
