package registermap_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
	"ringwarden/registermap"
	"ringwarden/testdata"
)

// fixtures returns every map of the repository, good and bad.
func fixtures(t testing.TB) (all [][]byte) {
	t.Helper()
	for _, pattern := range []string{"testdata/bad/*.yaml", "testdata/good/*.yaml"} {
		paths, err := filepath.Glob(pattern)
		if err != nil || len(paths) == 0 {
			t.Fatalf("%s: %d files, %v", pattern, len(paths), err)
		}
		for _, path := range paths {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, data)
		}
	}
	paths, _ := fs.Glob(testdata.Files, "maps/*.yaml")
	for _, path := range paths {
		data, err := fs.ReadFile(testdata.Files, path)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, data)
	}
	return all
}

// Whatever a file holds, reading it does not panic, each fault has a place, and a map without a fault can be planned,
// read and decoded.
func FuzzParse(f *testing.F) {
	for _, data := range fixtures(f) {
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := registermap.Parse("fuzz.yaml", data)
		if err != nil {
			faults := userfile.Errors(err)
			if len(faults) == 0 {
				t.Fatalf("no fault in %v", err)
			}
			for _, e := range faults {
				if e.Line < 1 || e.Column < 1 || e.Msg == "" {
					t.Fatalf("a fault without a place or a word: %#v", e)
				}
			}
			return
		}
		checkPlans(t, m)
		checkInverse(t, m, func() uint16 { return 0x0102 })
	})
}

// checkPlans holds a map's plans against what every plan promises.
func checkPlans(t testing.TB, m *registermap.Map) {
	t.Helper()
	if len(m.Points()) == 0 {
		t.Fatal("a map without points was accepted")
	}
	covered := 0
	for _, g := range fleet.Groups {
		p := m.Plan(g)
		if p == nil {
			continue
		}
		covered += len(p.Layout.Points)
		for _, b := range p.Blocks {
			longest := m.Longest
			if b.Table.Bits() {
				longest = m.LongestBits
			}
			if b.Count == 0 || int(b.Count) > longest || int(b.Start)+int(b.Count) > 1<<16 {
				t.Fatalf("%s %d+%d: longest is %d", b.Table, b.Start, b.Count, longest)
			}
			for _, r := range m.Forbidden {
				if r.Touches(b.Table, b.Start, int(b.Count)) {
					t.Fatalf("%s %d+%d touches the forbidden %d-%d", b.Table, b.Start, b.Count, r.First, r.Last)
				}
			}
		}
	}
	if covered != len(m.Points()) {
		t.Fatalf("plans have %d points, the map %d", covered, len(m.Points()))
	}
}

// Whatever a device answers, decoding does not panic, and what was decoded is encoded and decoded again to the same.
func FuzzDecode(f *testing.F) {
	var maps []*registermap.Map
	for _, data := range fixtures(f) {
		if m, err := registermap.Parse("fixture.yaml", data); err == nil {
			maps = append(maps, m)
		}
	}
	if len(maps) < 4 {
		f.Fatalf("only %d fixtures are good maps", len(maps))
	}
	for i := range maps {
		f.Add(uint8(i), []byte{0})
		f.Add(uint8(i), []byte{0xFF})
		f.Add(uint8(i), []byte{0x80, 0, 0x7F, 0xC0, 0x12, 0x34, 0x7F, 0xF0, 0, 1, 0x41, 0x42})
	}
	f.Fuzz(func(t *testing.T, which uint8, data []byte) {
		at := 0
		word := func() uint16 {
			if len(data) == 0 {
				return 0
			}
			w := uint16(data[at%len(data)])<<8 | uint16(data[(at+1)%len(data)])
			at += 2
			return w
		}
		checkInverse(t, maps[int(which)%len(maps)], word)
	})
}
