package registermap_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringwarden/fleet/userfile"
	"ringwarden/registermap"
)

var update = flag.Bool("update", false, "rewrite the golden files from what the code says now; then read the difference")

// Each bad map stands for slips that people make; beside it lies what they are told. A fault that is not reported, or
// reported at the wrong place, changes the golden file.
func TestBadMapsAreExplained(t *testing.T) {
	paths, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(paths) < 20 {
		t.Fatalf("found %d bad maps (%v)", len(paths), err)
	}
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			_, err = registermap.Parse(filepath.Base(path), data)
			if err == nil {
				t.Fatal("the map was accepted")
			}
			for _, e := range userfile.Errors(err) {
				if e.Line < 1 || e.Column < 1 {
					t.Errorf("no position: %v", e)
				}
			}
			golden(t, strings.TrimSuffix(path, ".yaml")+".want", err.Error()+"\n")
		})
	}
}

// golden holds got against a file, or rewrites the file with -update.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; run the test with -update and read what it wrote", err)
	}
	if got != string(want) {
		t.Errorf("%s differs.\ngot:\n%swant:\n%s", path, got, want)
	}
}
